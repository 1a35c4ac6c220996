// What the case holds, as bodies: boards, cells, sockets, screws and plugs, each where it sits in the built meter.
//
// Part of flattop.scad, which has the dimensions and where they come from.

// Face down on the front end, spacers and plug between the two.
module computer() {
    y = board_y;
    box([board_x, y, pi_z], [board_x + pi.x, y + pi.y, pi_z + pi.z]);
    box([board_x + 1, y + 7, pi_z], [board_x + pi.x - 1, y + pi.y - 7, pi_z + pi.z + pi_back]);
    box([board_x + 8, y + 7, pi_z - pi_face], [board_x + pi.x, y + pi.y - 7, pi_z + 0.1]);
    box([board_x + 2, y + 7, board_z + board.z + gap], [board_x + 7.5, y + pi.y - 7, pi_z + 0.1]);
    for (at = board_hole_at(0)) post(at, board_z + board.z + gap, pi_z + 0.1, 5);
}

module supply_board() translate([supply_at.x, supply_at.y, supply_z]) {
    cube([supply.x, supply.y, supply.z + supply_above]);
    y = 2 * supply_hole_inset;
    translate([0, y, -supply_below]) cube([supply.x, supply.y - 2 * y, supply_below + 0.1]);
}

module display() {
    translate([tft_at.x, tft_at.y, under - tft.z - gap]) {
        linear_extrude(tft.z - 0.2) square([tft.x, tft.y], center = true);
        translate([0, 0, -tft_rear.z]) linear_extrude(tft_rear.z + 0.1) square([tft_rear.x, tft_rear.y], center = true);
    }
}

module pane_sheet() translate([tft_at.x + tft_active_off.x, tft_at.y + tft_active_off.y, under])
    linear_extrude(pane.z) square([pane.x, pane.y], center = true);

module cells() translate([holder_x, inner_y + 1, floor_t + gap]) cube(holder);

module front_end() {
    box([board_x, board_y, board_z], [board_x + board.x, board_y + board.y, board_z + board.z]);
    low_side();
}

// What conducts on the low side of the front end, up to the barrier.
module low_side() {
    x1 = board_x + board.x - island_x - 8.1;
    y = [board_y + 7, board_y + board.y - 7];
    box([board_x + 0.5, y[0], board_z - board_below], [x1, y[1], board_z + 1]);
    box([board_x + 8.5, y[0], board_z], [x1, y[1], board_z + board.z + board_above]);
    for (p = board_plugs) box([board_x + board.x - p[2], board_y + p[1], board_z + board.z - 0.01],
        [board_x + board.x - p[0], board_y + p[3], board_z + board.z + p[4]]);
}

module island(y0, y1) difference() {
    box([board_x + board.x - island_x, board_y + max(y0, island_inset), board_z - board_below],
        [board_x + board.x - island_inset, board_y + min(y1, board.y - island_inset),
            board_z + board.z + island_above]);
    for (at = board_hole_at(1)) post(at, 0, height, 8);
}

module socket(i) {
    at = socket_at[i];
    rod_y(at, panel_y[0] + 0.1, panel_y[0] + socket_flange[1], socket_flange[0]);
    rod_y(at, panel_y[0] + 0.1, panel_y[0] + socket_body[1], socket_body[0]);
    translate([at.x, inner_y + gap + socket_nut[1], at.y]) rotate([90, 0, 0])
        linear_extrude(socket_nut[1]) circle(d = socket_nut[0], $fn = 6);
    socket_metal_of(i);
}

module socket_metal_of(i)
    rod_y(socket_at[i], panel_y[0] + socket_metal[1], panel_y[0] + socket_metal[2], socket_metal[0]);

module line_socket() {
    line_metal();
    web = [panel_y[0] + rca_recess, panel_y[0] + rca_recess + 2.4];
    rod_y(rca_at, web[0] + gap, web[1] + 1, rca_hole);
    rod_y(rca_at, web[1] + gap, web[1] + gap + rca_nut[1], rca_nut[0]);
    rod_y(rca_at, web[0] - gap - 1, web[0] - gap, rca_nut[0]);
    rod_y(rca_at, web[0] - gap - 0.5, web[0] + gap + 0.1, rca_hole);
}

module line_metal() rod_y(rca_at, panel_y[0] + 0.4, panel_y[0] + rca_metal[1], rca_metal[0]);

module usb_pcb(grow = 0) box(
    [usb_at.x - usb_shell.x / 2 - usb_board.x - grow, usb_y - grow, usb_at.y - usb_board.z / 2 - grow],
    [usb_at.x - usb_shell.x / 2 + grow, usb_y + usb_board.y + grow, usb_at.y + usb_board.z / 2 + grow]);

module charge_port() {
    x = usb_at.x - usb_shell.x / 2 - 0.01; // a trace into its board
    usb_pcb();
    translate([x, usb_y - usb_overhang, usb_at.y - usb_shell.y / 2]) cube([usb_shell.x, usb_shell.z, usb_shell.y]);
    box([x, inner_y + 1, usb_at.y - usb_board.z / 2 + 3.4],
        [x + usb_parts, usb_y + usb_board.y, usb_at.y + usb_board.z / 2]);
}

module jack() {
    translate([0, jack_at.x, jack_at.y]) rotate([0, 90, 0]) linear_extrude(wall + 2) disc(jack_hole);
    translate([wall + gap, jack_at.x - jack_body.y / 2, jack_at.y - jack_body.z / 2]) cube(jack_body);
}

module buttons() {
    corner = button_at[1] - button_board_off;
    translate([corner.x, corner.y, button_z]) cube(button_board);
    for (i = [0, 1]) translate([small_button_at[i].x, small_button_at[i].y, button_z + button_board.z - 0.01]) {
        size = i == 0 ? switch_on : switch_off;
        linear_extrude(size[1]) square(6, center = true);
        linear_extrude(size[2]) disc(size[0]);
    }
    for (p = panel_plugs) translate([corner.x, corner.y + button_board.y, button_z + button_board.z - 0.01])
        box([p[0], -p[3], 0], [p[2], -p[1], p[4]]);
    for (at = button_at) translate([at.x, at.y, button_z + button_board.z - 0.01]) {
        linear_extrude(switch_size.z - 3) square([switch_size.x, switch_size.y], center = true);
        linear_extrude(switch_size.z - gap) disc(6.8);
    }
}

module lamp() {
    post(lamp_at, height - lamp_depth, height, lamp_d);
    post(lamp_at, height - lamp_depth, under - gap, lamp_d + 1.4);
}

module sounder_body() post(sounder_at, under - gap - sounder[1], under - gap, sounder[0]);

module magnet_body(i) post(magnet_at[i], 1.2 + gap, 1.2 + gap + magnet[1], magnet[0]);

// Plastic, M3: head, shank and nut.
module screw(at, top, l, nut_z, turn = 0) {
    post(at, top - l, top + 0.1, 3);
    post(at, top, top + 2.1, 5.6);
    translate([at.x, at.y, nut_z]) rotate(turn) linear_extrude(2.4) circle(d = 5.5 / cos(30), $fn = 6);
}

module lid_screw_set() for (i = [0:5]) screw(lid_screws[i], height - 2.4 + gap, 20, 20.2, i < 2 ? 0 : 30);

module hood_screw_set() {
    nut_z = under - tft.z - 3 * gap - clamp_t - 2.4;
    for (at = clamp_at) screw(at, height + 2 * gap + 2.4, 16, nut_z);
}

module board_screw_set() {
    for (at = board_hole_at(1)) post(at, board_z + board.z + gap, board_z + board.z + 2.2, 5.6);
    for (at = board_hole_at(0)) post(at, pi_z + pi.z + gap, pi_z + pi.z + 1.9, 4.6);
    for (at = button_posts) post(at, button_z - gap - 2, button_z - gap, 5.6);
}

// Plugs on their way in, for the test of the shutter.
module plug(name) {
    if (name == "plug_1") rod_y(socket_at[0], -30, panel_y[0], plug_4mm);
    if (name == "plug_2") rod_y(socket_at[1], -30, panel_y[0], plug_4mm);
    if (name == "plug_line") rod_y(rca_at, -30, panel_y[0], plug_rca);
    if (name == "plug_charge") box([usb_at.x - plug_usb.x / 2, -30, usb_at.y - plug_usb.y / 2],
        [usb_at.x + plug_usb.x / 2, panel_y[0], usb_at.y + plug_usb.y / 2]);
}
