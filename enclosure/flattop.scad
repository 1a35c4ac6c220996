// The case of flattop: every printed part, and everything it has to hold, as bodies of their own.
//
// Lengths in mm. x to the reader's right, y up, z toward the reader: the screen faces +z, the leads leave at -y, the
// strap is at +y. The origin is the lower left corner of the back. Everything is drawn where it sits in the built
// meter; make.py turns each part over for printing.
//
//   openscad -D 'part="body"' -o body.stl flattop.scad
//
// part: one of `printed`, one of `contents`, "assembly", "exploded", "section", or "parameters" (echoes values).
// Behind each dimension: V seen in a drawing or catalogue, M from memory (measure the part before printing),
// C chosen or calculated here. make.py makes the tables of README.md out of these comments.

use <../firmware/flattop/panel/fonts/RobotoCondensed-Bold.ttf>

include <contents.scad>

part = "assembly";
at_s = 0; // where the shutter stands: 0 inputs open, shutter_travel charge port open
cut_x = 125; // where "section" cuts
marking = true; // words engraved in the lid (CGAL takes a minute for them)

// -- what the case has to hold -----------------------------------------------------------------------------------
// begin: bought
pi = [30, 65, 1.4]; // M computer board, Zero class, long side upright; its holes are 2.75 mm in its maker's drawing
pi_holes = [23, 58]; // M pitch of its four holes, 3.5 from the edges
pi_stack = 11; // M it lies face down on the front end's plug: spacers between the two boards
pi_face = 4.6; // M highest part on its face, the plug left out
pi_back = 1.5; // M solder joints on its back
tft = [86, 50, 5]; // M 2.8-inch display module: its board with the panel, glass forward
tft_rear = [70, 46, 4]; // M what stands out behind that board
tft_active = [57.6, 43.2]; // V picture area, as in catalogues of 2.8-inch 320 x 240 panels
tft_active_off = [0, 0]; // M middle of the picture from the middle of the module
pane = [64, 49.6, 1.5]; // C clear polycarbonate sheet before the glass
holder = [41, 77, 20]; // M holder for two 18650 cells, long side upright
board = [91.5, 65, 1.6]; // C front-end board (hardware/board)
board_hole_inset = 3.5; // C its four holes, from both edges (hardware/board)
board_above = 5; // M highest part on its low side, the plug left out
board_below = 1.8; // M solder joints below it
cable_plug = 8; // M plug of a flat cable on its header, over a board
display_plug = 5; // M plug of the display's lead on the panel board
coin_cell = 4.5; // M clock's cell in its holder
island_above = 6; // C highest live part on its islands, solder joints of the leads included
island_inset = 4.4; // C nothing live nearer than this to the edge of the board
island_x = 44.9; // C right part of the board that is live; a barrier of 8.1 follows (hardware/board)
island_split = [27.5, 36.5]; // C gap between the speaker's and the line's island, from the lower edge (hardware/board)
supply = [20, 70, 1.6]; // C supply board: charger, 5 V converter, fuel gauge (hardware/board)
supply_above = 12.4; // M highest plug on it, with its lead
supply_below = 1.8; // M solder joints below it
supply_hole_inset = 3.2; // C its four holes, from both edges (hardware/board)
socket_body = [12, 22]; // M shrouded 4 mm socket: diameter of its thread, length of insulation behind the flange's face
socket_flange = [14.5, 2.4]; // M its flange
socket_nut = [15.4, 4]; // M its plastic nut, across corners
socket_metal = [5, 8.3, 28]; // M metal in it: diameter, begins and ends behind the flange's face (blade included)
plug_4mm = 12.2; // M thickest part of a shrouded 4 mm plug that enters the opening
rca_hole = 9.6; // M insulated line socket (RCA): hole for its bushing
rca_metal = [8.4, 20]; // M metal of the line socket: diameter, rear end behind the wall's outer face
rca_nut = [13, 3]; // M its insulating washer and nut
plug_rca = 13.4; // M thickest line plug
usb_shell = [3.3, 9.3, 7.4]; // V USB Type-C receptacle on edge, as in a table of its dimensions (9.3 x 3.26 x 7.35)
usb_board = [1.6, 14, 20]; // C board of the charge port, on edge (hardware/board)
usb_overhang = 1.3; // C the receptacle stands out over its edge (hardware/board)
usb_parts = 4; // M height of parts on it
plug_usb = [6.5, 12.4]; // M largest moulding of a USB Type-C plug
jack_hole = 8; // M plastic 3.5 mm jack of the foot switch: thread
jack_body = [16, 11, 9.6]; // M its body
switch_size = [6, 6, 7.3]; // M push switch of a button, with plunger
switch_on = [3.5, 3.8, 13]; // M of the switch ON: plunger's diameter, height of its body, height
switch_off = [3.5, 3.5, 4.3]; // M of the switch FORCE OFF, which a pin reaches
button_board = [78, 31, 1.6]; // C panel board: buttons, clock chip, transistors of lamp, sounder, display (hardware/board)
button_board_off = [39, 10.5]; // C middle button on it, from its left and its lower edge (hardware/board)
lamp_d = 8; // M diffused three-colour lamp
lamp_depth = 11; // M with its bent legs
sounder = [14, 7.5]; // M sounder: diameter, height
magnet = [20, 4]; // M disc magnet: diameter, height
// end: bought

// -- the case ----------------------------------------------------------------------------------------------------
// begin: chosen
gap = 0.2; // C air between any two parts
wall = 3.4; // C side walls
floor_t = 3.2; // C back
plate = 3; // C front of the lid
length = 165; // C without strap lugs
height = 40; // C without hood and caps
corner_r = 5.5; // C upright edges
lip = 2.2; // C rails that hold the shutter
shutter_t = 2.6; // C shutter
panel = 5.2; // C wall that carries the sockets, behind the shutter
socket_pitch = 19; // C as the design asks
socket_dz = 15; // C of it upright, so that no window passes the other socket
rca_off = 29; // C line socket to the nearer 4 mm socket, across
rca_recess = 8.4; // C the line socket's sleeve lies this far behind the wall's face
play = 0.3; // C openings and windows wider than a plug, all round
usb_off = 19; // C charge port to the line socket, across
button_pitch = 32; // V 13 mm between caps at least: MIL-STD-1472E, table VII
cap_d = 19; // V 19 mm at least where mittens are worn: MIL-STD-1472E, 5.4.3.1.3.3
hood_h = 22; // C hood above the lid
strap = [26, 4.5]; // C slots for a 25 mm strap
liner_t = 1.4; // C inner insulating liner
live_air = 8; // C from anything live to a hand or to metal: the design's rule, above the 5 mm of IEC 60664-1
// end: chosen

// -- worked out --------------------------------------------------------------------------------------------------
holder_x = wall + 0.6;
board_x = length - wall - 3 * gap - liner_t - board.x;
strip_x = [holder_x + holder.x + 1.6, board_x - 0.4]; // between cells and front end
supply_z = floor_t + 4 + supply_below + 0.4; // over the wells of the magnets
channel_y = [lip, lip + shutter_t + 2 * gap];
panel_y = [channel_y[1], channel_y[1] + panel];
inner_y = panel_y[1];
usb_y = inner_y - 1.05; // the charge port's board reaches into the wall, so that a plug goes all the way in
board_y = channel_y[1] + socket_metal[2] + 1;
width = board_y + board.y + 3 * gap + liner_t + wall;
under = height - plate; // underside of the lid
seam = 34; // body and lid meet here on the outside
tongue = 36.6;
mid = 1.8; // the seam's step, from the outside

board_z = live_air + 0.4 + board_below;
pi_z = board_z + board.z + pi_stack;

// openings in the wall and windows in the shutter
socket_open = plug_4mm + 2 * play;
socket_window = socket_open + 2 * play;
rca_open = plug_rca + 2 * play;
rca_window = rca_open + 2 * play;
usb_open = [plug_usb.x + 2 * play, plug_usb.y + 2 * play];
usb_window = [usb_open.x + 2 * play, usb_open.y + 2 * play];
// Half an input's opening and window pass before the charge port begins to open.
shutter_travel = (rca_open + rca_window) / 2 + (usb_open.x + usb_window.x) / 2 + 0.6;

shutter_rim = 2.2;
shutter_z = [4.2, 36.2];
window_z = [5.6, 34.4]; // what of the shutter shows
channel_x1 = length - 6;
socket2_x = channel_x1 - play - shutter_travel - shutter_rim - socket_window / 2;
socket1_x = socket2_x - sqrt(pow(socket_pitch, 2) - pow(socket_dz, 2));
rca_x = socket1_x - rca_off;
input_z = [20 - socket_dz / 2, 20 + socket_dz / 2];
socket_at = [[socket1_x, input_z[1]], [socket2_x, input_z[0]]];
rca_at = [rca_x, input_z[0] + 0.7];
usb_at = [rca_x - usb_off, 14];
beam = 24; // spring of the shutter's catch
shutter_x0 = usb_at.x - shutter_travel - usb_window.x / 2 - shutter_rim - beam - 2;
shutter_x1 = socket2_x + socket_window / 2 + shutter_rim;
channel_x0 = shutter_x0 - play;

tft_at = [66, width - wall - 2.4 - tft.y / 2 - 2]; // middle of the display
button_at = [for (i = [-1:1]) [tft_at.x + i * button_pitch, 24.5]];
button_z = under - 1.8 - switch_size.z - button_board.z; // underside of the buttons' board
clamp_at = [for (x = [-1, 1], y = [-19, 7]) [tft_at.x + x * (tft.x / 2 + 4.6), tft_at.y + y]];
clamp_t = 2.4;
sounder_at = [13, 24];
lamp_at = [length - 12, width - 17];
jack_at = [width - 11.6, 28.4]; // y, z
lug_x = [41, length - 41];
lug_out = 11;
magnet_at = [for (y = [0.44, 0.74]) [(strip_x[0] + strip_x[1]) / 2, y * width]];
post_at = [[6.6, 6.2], [length - 8.2, 15.6]];
lid_screws = concat(post_at, [for (x = lug_x, s = [-1, 1]) [x + s * 18.6, width + 4.4]]);
press_at = [[9, 48], [9, 68]];
small_button_at = [for (x = [-0.5, 0.5]) [tft_at.x + x * button_pitch, button_at[0].y]]; // ON, FORCE OFF
// holes of the panel board, from the middle button
button_posts = [for (o = [[-16, -7.5], [16, -7.5], [-34.5, 16.5], [-3, 16.5]]) button_at[1] + o];
// plugs and cell on the boards: left, upper, right and lower edge as in hardware/board, and height
board_plugs = [[54.9, 1, 59.4, 12.3, cable_plug], [68, 1, 84.8, 6.6, cable_plug]];
panel_plugs = [[9.7, 0.8, 30.7, 9.5, display_plug], [40, 1.4, 56.4, 6.1, cable_plug], [57, 0.8, 77.4, 15.3, coin_cell]];
supply_at = [strip_x[0] + 0.2, inner_y + usb_board.y + 4.6];

printed = ["body", "lid", "shutter", "cap_a", "cap_b", "cap_c", "hood", "liner", "clamp_left", "clamp_right",
    "magnet_cover_1", "magnet_cover_2"];
contents = ["computer", "supply", "display", "pane", "cells", "front_end", "low_side", "island_speaker", "island_line",
    "socket_1", "socket_2", "socket_metal_1", "socket_metal_2", "line_socket", "line_metal", "charge_port", "jack",
    "buttons",
    "lamp", "sounder", "magnet_1", "magnet_2", "lid_screws", "hood_screws", "board_screws"];
plugs = ["plug_1", "plug_2", "plug_line", "plug_charge"];

assert(strip_x[1] - strip_x[0] > supply.x, "length: no room between cells and front end");
assert(channel_x0 > post_at[0].x + 4.8, "length: the shutter's channel meets the screw beside it");
assert(inner_y + 1 + holder.y < width - wall, "board: too short for the cells beside it");

// -- shapes ------------------------------------------------------------------------------------------------------
function sides(d) = d < 5 ? 16 : d < 12 ? 32 : 48;

module disc(d) circle(d = d, $fn = sides(d));

module rounded(size, r) {
    translate([r, r]) offset(r, $fn = 48) square([size.x - 2 * r, size.y - 2 * r]);
}

module box(from, to) translate(from) cube(to - from);

module post(at, from, to, d) translate([at.x, at.y, from]) linear_extrude(to - from) disc(d);

module core2d(inset = 0) translate([inset, inset]) rounded([length - 2 * inset, width - 2 * inset], corner_r - inset);

module lug2d(x, inset = 0) offset(r = -inset) offset(r = 3, $fn = 32) offset(r = -3) polygon([
    [x - 33, width - 8], [x + 33, width - 8], [x + 33, width - 0.02], [x + 24, width + lug_out],
    [x - 24, width + lug_out], [x - 33, width - 0.02]]);

// A body whose lower edge leans out at 45 degrees and less, so that it prints without support.
edge = [[2.4, 0], [1.0, 1.4], [0.3, 2.6], [0, 4]];

module form(z0, z1) {
    hull() {
        for (e = edge) translate([0, 0, min(z0 + e[1], z1 - 0.01)]) linear_extrude(0.01) core2d(e[0]);
        translate([0, 0, z1 - 0.01]) linear_extrude(0.01) core2d();
    }
    for (x = lug_x) hull() {
        for (e = edge) translate([0, 0, min(z0 + e[1], z1 - 0.01)]) linear_extrude(0.01) lug2d(x, e[0]);
        translate([0, 0, z1 - 0.01]) linear_extrude(0.01) lug2d(x);
    }
}

// A round hole along y whose roof needs no support: 45 degrees, then a short flat bridge.
module bore2d(d) {
    disc(d);
    intersection() {
        rotate(45) square(d / 2, center = false);
        translate([-d, 0]) square([2 * d, d / 2 * 1.04]);
    }
}

module bore(at, y0, y1, d) translate([at.x, y1, at.y]) rotate([90, 0, 0]) linear_extrude(y1 - y0) bore2d(d);

module rod_y(at, y0, y1, d) translate([at.x, y1, at.y]) rotate([90, 0, 0]) linear_extrude(y1 - y0) disc(d);

module slot2d(x) translate([x - strap.x / 2, width + 4.4]) offset(1.2, $fn = 16)
    translate([1.2, 0]) square([strap.x - 2.4, strap.y - 2.4]);

module cavity2d() {
    difference() {
        translate([wall, inner_y]) rounded([length - 2 * wall, width - wall - inner_y], 2);
        translate(post_at[1]) disc(9);
        translate([post_at[1].x, post_at[1].y - 4.5]) square([20, 9]);
        translate([post_at[1].x - 4.5, 0]) square([20, post_at[1].y]);
    }
}

module channel2d() translate([channel_x0, channel_y[0]]) square([channel_x1 - channel_x0, channel_y[1] - channel_y[0]]);

// -- printed parts -----------------------------------------------------------------------------------------------
module body() {
    difference() {
        union() {
            difference() {
                union() {
                    form(0, seam);
                    translate([0, 0, seam - 1]) linear_extrude(tongue - seam + 1) difference() {
                        core2d(mid);
                        translate([channel_x0 - gap, 0]) square([channel_x1 - channel_x0 + 2 * gap, lip + gap]);
                        translate(post_at[0]) disc(10.2);
                        translate(post_at[1]) disc(10.2);
                    }
                }
                translate([0, 0, floor_t]) linear_extrude(height) cavity2d();
                // the shutter's channel, open at the top, and what shows of it
                translate([0, 0, shutter_z[0] - gap]) linear_extrude(height) channel2d();
                box([channel_x0 + 2, -1, window_z[0]], [channel_x1 - 2, channel_y[0] + 0.5, height]);
                // two notches for the catch
                for (s = [0, shutter_travel]) translate([shutter_x0 + 2.5 + s, 0, 0])
                    box([-1.6, channel_y[0], shutter_z[0] - gap - 0.9], [1.6, channel_y[1], shutter_z[0]]);
                for (x = lug_x) translate([0, 0, -1]) linear_extrude(height) slot2d(x);
            }
            inside();
        }
        for (at = socket_at) {
            bore(at, 0, inner_y + 1, socket_body[0] + 2 * gap);
            bore(at, 0, panel_y[0] + socket_flange[1] + gap, socket_flange[0] + 2 * gap);
        }
        bore(rca_at, 0, panel_y[0] + rca_recess, rca_open);
        bore(rca_at, 0, inner_y + 9, rca_hole + 2 * gap);
        usb_hole();
        usb_pcb(gap);
        translate([-1, jack_at.x, jack_at.y]) rotate([0, 0, -90]) bore([0, 0], 0, wall + 2, jack_hole + 2 * gap);
        for (at = lid_screws) {
            post(at, 15, height, 3.4);
        }
        // slots for plastic nuts
        for (i = [2:5]) translate(lid_screws[i]) box([-2.95, -3.5, 20], [2.95, 20, 22.8]);
        translate(post_at[0]) box([-20, -2.95, 20], [3.5, 2.95, 22.8]);
        translate(post_at[1]) box([-20, -2.95, 20], [3.5, 2.95, 22.8]);
        for (at = magnet_at) post(at, 1.2, 20, magnet[0] + 2 * gap);
        for (at = concat(board_hole_at(0), supply_hole_at())) post(at, floor_t + 0.8, 20, 2.1);
    }
}

// side 0: the four holes that also hold the computer, over posts of the body; side 1: the two beside the islands, over
// posts of the liner
function board_hole_at(side) = [
    for (x = side == 0 ? [board_hole_inset, board_hole_inset + pi_holes.x] : [board.x - board_hole_inset],
        y = [board_hole_inset, board.y - board_hole_inset]) [board_x + x, board_y + y]
];

function supply_hole_at() = [
    for (x = [supply_hole_inset, supply.x - supply_hole_inset], y = [supply_hole_inset, supply.y - supply_hole_inset])
        supply_at + [x, y]
];

// Wide for the plug's moulding, then no wider than the receptacle.
module usb_hole() {
    for (o = [[usb_open, -1, inner_y - 2.5], [[usb_shell.x + 3 * gap, usb_shell.y + 3 * gap], -1, inner_y + 1]])
        translate([usb_at.x - o[0].x / 2, o[1], usb_at.y - o[0].y / 2]) cube([o[0].x, o[2] - o[1], o[0].y]);
}

// What stands on the floor of the body.
module inside() {
    for (at = board_hole_at(0)) post(at, 1, board_z - gap, 6.6);
    for (at = supply_hole_at()) post(at, 1, supply_z - gap, 6);
    for (at = magnet_at) post(at, 1, 7, magnet[0] + 2 * gap + 3.2);
    // block around the line socket
    half = rca_open / 2 + 2;
    box([rca_at.x - half, panel_y[0] + 1, 1], [rca_at.x + half, panel_y[0] + rca_recess + 2.4, rca_at.y + half]);
    // slot for the charge port's board
    difference() {
        box([usb_at.x - 8, inner_y - 1, 1], [usb_at.x + 5, inner_y + 9, usb_at.y - usb_board.z / 2 + 3]);
        usb_pcb(gap);
        box([usb_at.x - 3, inner_y, usb_at.y - usb_board.z / 2 - gap], [usb_at.x + 9, inner_y + 20, 40]);
    }
    // stops for the cell holder
    x = holder_x + holder.x + gap;
    for (y = [inner_y + 6, inner_y + 58]) box([x, y, 1], [x + 1.2, y + 8, 9]);
}

module line(words, size, at, halign = "left", fine = 8) translate(at)
    text(words, size = size, font = "Roboto Condensed:style=Bold", halign = halign, valign = "center", $fn = fine);

module words2d() {
    x = tft_at.x + tft.x / 2 + 12;
    line("flattop", 7.2, [x, lamp_at.y]);
    lines = [[0, "SPEAKER  max"], [5.4, "180 V rms"], [10.8, "255 V peak"], [18.4, "LINE  max"],
        [23.8, "14 V rms, 20 V peak"], [31.4, "NOT FOR MAINS"], [36.8, "No measurement"], [42.2, "category."],
        [47.6, "Not certified."]];
    for (l = lines) line(l[1], 3.6, [x, lamp_at.y - 12 - l[0]]);
    line("ON", 3, small_button_at[0] - [0, 5], "center");
    line("OFF", 3, small_button_at[1] - [0, 5], "center");
    // what lies below on the wall
    line("SPEAKER", 4, [(socket1_x + socket2_x) / 2, 7], "center");
    line("LINE", 4, [rca_at.x, 7], "center");
    line("CHARGE", 4, [usb_at.x, 7], "center");
}

module words() translate([0, 0, height - 0.6]) linear_extrude(1) words2d();

module lid() {
    difference() {
        union() {
            translate([0, 0, height]) mirror([0, 0, 1]) form(0, plate);
            // skirt, and the rail that holds the shutter's upper edge
            translate([0, 0, seam + gap]) linear_extrude(under - seam - gap + 0.01) difference() {
                union() {
                    difference() {
                        union() {
                            core2d();
                            for (x = lug_x) lug2d(x);
                        }
                        core2d(mid - gap);
                    }
                    translate([channel_x0, 0]) square([channel_x1 - channel_x0, lip]);
                }
                // nothing thin beside the tongue
                translate([channel_x0 - gap, lip]) square([channel_x1 - channel_x0 + 2 * gap, 20]);
            }
            for (at = post_at) post(at, seam + gap, under + 1, 9.6);
            underneath();
        }
        box([channel_x0 + 2, -1, seam - 1], [channel_x1 - 2, lip + 0.1, window_z[1]]);
        for (x = lug_x) translate([0, 0, seam - 1]) linear_extrude(height) slot2d(x);
        for (at = lid_screws) {
            post(at, seam - 1, height + 1, 3.4);
            post(at, height - 2.4, height + 1, 6.4);
        }
        screen_opening();
        for (at = button_at) post(at, under - 1, height + 1, cap_d + 3 * gap);
        post(lamp_at, under - 1, height + 1, lamp_d + 2 * gap);
        post(small_button_at[0], 20, height + 1, switch_on[0] + 2 * gap);
        post(small_button_at[1], 20, under, switch_off[0] + 2 * gap);
        post(small_button_at[1], 20, height + 1, 2.4);
        for (i = [0:5]) post(sounder_at + (i > 0 ? 4 : 0) * [cos(72 * i), sin(72 * i)], under - 1, height + 1, 1.8);
        for (at = clamp_at) post(at, 20, height + 1, 3.4);
        for (at = button_posts) post(at, 20, height - 2, 2.5);
        if (marking) words();
    }
}

module screen_opening() {
    o = [tft_active.x + 1.6, tft_active.y + 1.6];
    at = tft_at + tft_active_off;
    hull() {
        translate([at.x, at.y, height - 1.4]) linear_extrude(0.01) square(o, center = true);
        translate([at.x, at.y, height + 0.2]) linear_extrude(0.01) square(o + 3.2 * [1, 1], center = true);
    }
    translate([at.x, at.y, under - 1]) linear_extrude(plate) square(o, center = true);
    translate([at.x, at.y, under - 1]) linear_extrude(1 + pane.z + gap)
        square([pane.x, pane.y] + 2 * gap * [1, 1], center = true);
}

// What hangs under the lid, and stands up while it is printed face down.
module underneath() {
    rib = 1.6;
    frame = [tft.x + 2 * gap, tft.y + 2 * gap];
    // corners of a frame around the display
    translate([0, 0, under - 3]) linear_extrude(3.5) intersection() {
        translate(tft_at) difference() {
            square(frame + 2 * rib * [1, 1], center = true);
            square(frame, center = true);
        }
        for (x = [-1, 1], y = [-1, 1]) translate(tft_at + [x * frame.x / 2, y * frame.y / 2]) square(16, center = true);
    }
    for (at = clamp_at) post(at, under - tft.z - gap, under + 0.5, 7.4);
    // sleeves that end on the switches: what goes in there meets a switch and nothing else
    for (s = [[0, switch_on], [1, switch_off]])
        post(small_button_at[s[0]], button_z + button_board.z + s[1][1] + gap, under + 0.5, s[1][0] + 2 * gap + 2.6);
    for (at = press_at) post(at, floor_t + 0.4 + holder.z + gap, under + 0.5, 6);
    for (at = button_posts) post(at, button_z + button_board.z + gap, under + 0.5, 6.4);
    translate([0, 0, under - 4]) linear_extrude(4.5) translate(sounder_at) difference() {
        disc(sounder[0] + 2 * gap + 3.2);
        disc(sounder[0] + 2 * gap);
    }
    // a wall in the air between the islands and the display, whose screws it has to leave alone
    x = max(board_x + board.x - island_x - 4, clamp_at[2].x + 4.8);
    box([x - 0.8, board_y + 2, board_z + board.z + island_above + 0.8], [x + 0.8, width - wall - 4, under + 0.5]);
}

module shutter() {
    t0 = channel_y[0] + gap;
    translate([at_s, 0, 0]) difference() {
        union() {
            box([shutter_x0, t0, shutter_z[0]], [shutter_x1, t0 + shutter_t, shutter_z[1]]);
            // the catch
            translate([shutter_x0 + 2.5, t0, shutter_z[0]]) rotate([-90, 0, 0]) linear_extrude(shutter_t)
                polygon([[-1.2, -0.5], [-0.7, 0.7], [0.7, 0.7], [1.2, -0.5]]);
            // ribs for the thumb
            for (i = [0:4]) translate([shutter_x0 + 5 + i * 4.2, t0, 0]) hull() {
                box([-1.1, 0, 10], [1.1, 0.5, 31]);
                box([-0.4, -1.6, 11.5], [0.4, 0.5, 29.5]);
            }
        }
        for (at = socket_at) rod_y(at, -1, 10, socket_window);
        rod_y(rca_at, -1, 10, rca_window);
        // charge window: stands before the port at the design's full travel
        translate([usb_at.x - shutter_travel - usb_window.x / 2, -1, usb_at.y - usb_window.y / 2])
            cube([usb_window.x, 12, usb_window.y]);
        // slot that frees the catch's spring
        box([shutter_x0 - 1, -1, shutter_z[0] + 2], [shutter_x0 + beam, 10, shutter_z[0] + 3.2]);
    }
}

module cap(i, letter) {
    translate([button_at[i].x, button_at[i].y, 0]) difference() {
        union() {
            translate([0, 0, under - 1.6]) linear_extrude(1.4) disc(cap_d + 4);
            hull() {
                translate([0, 0, under - 1.6]) linear_extrude(6.2) disc(cap_d);
                translate([0, 0, under - 1.6]) linear_extrude(7.6) disc(cap_d - 2.8);
            }
        }
        translate([0, 0, under + 5.4]) linear_extrude(2) line(letter, 9, [0, 0], "center", 24);
    }
}

module hood() {
    z0 = height + gap;
    at = tft_at + tft_active_off;
    o = [tft_active.x + 5.6, tft_active.y + 5.6]; // opening
    base = [tft.x + 20, tft.y + 4.5];
    t = 2.4;
    difference() {
        union() {
            translate([at.x - base.x / 2, at.y - base.y / 2, z0]) linear_extrude(t) rounded(base, 5);
            // cheeks and brow; the brow is the highest, the side toward the buttons stays open
            hood_wall(at, o, z0, t);
        }
        translate([at.x, at.y, z0 - 1]) linear_extrude(50) square(o, center = true);
        for (p = clamp_at) {
            post(p, z0 - 1, z0 + 10, 3.4);
        }
    }
}

module hood_wall(at, o, z0, t) {
    brow = at.y + o.y / 2;
    low = at.y - o.y / 2;
    difference() {
        translate([at.x - o.x / 2 - t, low, z0]) cube([o.x + 2 * t, o.y + t, hood_h]);
        // the cheeks fall from the brow to the open side
        translate([at.x - o.x, 0, 0]) rotate([90, 0, 90]) linear_extrude(2 * o.x) polygon([
            [low - 1, z0 + 5], [low + 6, z0 + 5], [brow - 10, z0 + hood_h], [brow - 10, z0 + hood_h + 1],
            [low - 1, z0 + hood_h + 1]]);
    }
}

// A tray under and around the islands: a second wall, whose pores do not lie over those of the first.
module liner() {
    x0 = board_x + board.x - island_x - 9;
    x1 = length - wall - gap;
    y0 = inner_y + 12;
    z0 = floor_t + gap;
    difference() {
        union() {
            difference() {
                translate([0, 0, z0]) linear_extrude(under - gap - z0) intersection() {
                    liner2d(gap);
                    translate([x0, y0]) square([length, width]);
                }
                translate([0, 0, z0 + liner_t]) linear_extrude(height) liner2d(gap + liner_t, gap);
                // low toward the sockets and the low side
                box([x0 - 1, y0 - 1, z0 + 5], [x0 + 6, width, height]);
            }
            for (at = board_hole_at(1)) {
                post(at, z0, board_z - gap, 7);
                // tied to the wall
                box([at.x, at.y - 1.2, z0], [x1 - 0.4, at.y + 1.2, board_z - 3]);
            }
        }
        for (at = board_hole_at(1)) post(at, z0 + liner_t, 20, 2.5);
    }
}

// The inside of the body, smaller by `in` at left, right and top, and by `below` at the lower edge.
module liner2d(in, below = gap) translate([wall + in, inner_y + below])
    rounded([length - 2 * (wall + in), width - wall - in - inner_y - below], 2 - in);

// Presses the display's board against the lid; held by the hood's screws.
module clamp(right) {
    s = right ? 1 : -1;
    a = clamp_at[right ? 2 : 0];
    x_in = tft_at.x + s * (tft.x / 2 - 4);
    x_out = a.x + s * 3.4;
    z1 = under - tft.z - 2 * gap;
    difference() {
        translate([0, 0, z1 - clamp_t]) linear_extrude(clamp_t)
            translate([min(x_in, x_out), a.y - 4]) rounded([abs(x_out - x_in), 36], 2);
        for (i = [0, 1]) post(clamp_at[(right ? 2 : 0) + i], 0, 60, 3.4);
    }
}

module magnet_cover(i) post(magnet_at[i], 1.2 + magnet[1] + 2 * gap, 6.9, magnet[0] - 0.2 + gap);

// -- choice ------------------------------------------------------------------------------------------------------
module one(name) {
    if (name == "body") body();
    if (name == "lid") lid();
    if (name == "words") words();
    if (name == "shutter") shutter();
    if (name == "cap_a") cap(0, "A");
    if (name == "cap_b") cap(1, "B");
    if (name == "cap_c") cap(2, "C");
    if (name == "hood") hood();
    if (name == "liner") liner();
    if (name == "clamp_left") clamp(false);
    if (name == "clamp_right") clamp(true);
    if (name == "magnet_cover_1") magnet_cover(0);
    if (name == "magnet_cover_2") magnet_cover(1);
    if (name == "computer") computer();
    if (name == "supply") supply_board();
    if (name == "display") display();
    if (name == "pane") pane_sheet();
    if (name == "cells") cells();
    if (name == "front_end") front_end();
    if (name == "low_side") low_side();
    if (name == "island_speaker") island(0, island_split[0]);
    if (name == "island_line") island(island_split[1], board.y);
    if (name == "socket_1") socket(0);
    if (name == "socket_2") socket(1);
    if (name == "socket_metal_1") socket_metal_of(0);
    if (name == "socket_metal_2") socket_metal_of(1);
    if (name == "line_socket") line_socket();
    if (name == "line_metal") line_metal();
    if (name == "charge_port") charge_port();
    if (name == "jack") jack();
    if (name == "buttons") buttons();
    if (name == "lamp") lamp();
    if (name == "sounder") sounder_body();
    if (name == "magnet_1") magnet_body(0);
    if (name == "magnet_2") magnet_body(1);
    if (name == "lid_screws") lid_screw_set();
    if (name == "hood_screws") hood_screw_set();
    if (name == "board_screws") board_screw_set();
    plug(name);
}

// Heights and colours for looking only.
looks = [["lid", 120, "SlateGray"], ["hood", 150, "DimGray"], ["cap_a", 100, "Gold"], ["cap_b", 100, "Gold"],
    ["cap_c", 100, "Gold"], ["display", 85, "Black"], ["pane", 100, "LightSteelBlue"], ["buttons", 80, "SeaGreen"],
    ["clamp_left", 75, "Silver"], ["clamp_right", 75, "Silver"], ["sounder", 95, "Black"], ["lamp", 95, "White"],
    ["hood_screws", 175, "White"], ["lid_screws", 150, "White"], ["board_screws", 70, "White"],
    ["front_end", 45, "SeaGreen"], ["low_side", 45, "SeaGreen"], ["island_speaker", 45, "OrangeRed"],
    ["island_line", 45, "OrangeRed"], ["computer", 45, "SeaGreen"], ["supply", 45, "SeaGreen"],
    ["charge_port", 45, "SeaGreen"], ["cells", 45, "DimGray"], ["liner", 25, "SkyBlue"],
    ["magnet_cover_1", 25, "Silver"], ["magnet_cover_2", 25, "Silver"], ["shutter", 0, "Orange"],
    ["body", 0, "SlateGray"]];

module all(spread = 0) {
    for (name = concat(printed, contents)) {
        found = search([name], looks)[0];
        look = is_num(found) ? looks[found] : [name, 0, "Gray"];
        color(look[2]) translate([0, 0, spread * look[1]]) one(name);
    }
}

if (part == "parameters") {
    echo(printed = printed);
    echo(contents = contents);
    echo(plugs = plugs);
    echo(size = [length, width, height], lug_out = lug_out, hood_h = hood_h);
    echo(shutter_travel = shutter_travel, socket_at = socket_at, rca_at = rca_at, usb_at = usb_at);
    echo(usb_open = usb_open, socket_open = socket_open, rca_open = rca_open, panel_y = panel_y, channel_y = channel_y);
    echo(channel_x = [channel_x0, channel_x1], shutter_x = [shutter_x0, shutter_x1]);
    echo(rca_recess = rca_recess, gap = gap, wall = wall, floor_t = floor_t, plate = plate);
    echo(tft_active = tft_active, tft_at = tft_at + tft_active_off, pi_holes = pi_holes);
    echo(board_hole_inset = board_hole_inset, island_inset = island_inset, island_x = island_x);
    echo(supply = supply, supply_hole_inset = supply_hole_inset, usb_board = usb_board, usb_overhang = usb_overhang);
    echo(button_board = button_board, button_board_off = button_board_off, button_at = button_at);
    echo(board_plugs = board_plugs, panel_plugs = panel_plugs);
    echo(button_posts = button_posts, small_button_at = small_button_at, usb_shell = usb_shell);
    echo(cap_d = cap_d, button_pitch = button_pitch, board = board, board_at = [board_x, board_y, board_z]);
} else if (part == "assembly") {
    all();
} else if (part == "exploded") {
    all(1);
} else if (part == "section") {
    intersection() {
        all();
        box([-50, -50, -50], [cut_x, 300, 300]);
    }
} else {
    one(part);
}
