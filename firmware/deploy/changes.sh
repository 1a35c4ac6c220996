# shellcheck shell=bash
# How install changes a system: only what is not yet as it should be, each change written down before it is made, so
# that it can be taken back. Nothing that was there before is replaced, and nothing that was changed by hand since.
#
# The record has a line for each thing that was added: its kind, its name and a detail, with tabs between them.

root=''        # folder that stands for "/"; empty for the system itself
dry=false      # say what would be done, and do nothing
changed=0      # what was done, or would be
kept=0         # what is not as it should be and was left alone
remedy=''      # what to do if the step that runs now fails
doing='start'  # and what that step is
record_file=/etc/flattop/installed

say() {
    printf 'install: %s\n' "$*"
}

# Arguments: what is wrong, what to do.
stop() {
    printf 'install: %s; %s\n' "$1" "$2" >&2
    exit 1
}

# For the trap on errors.
failed() {
    local code=$?
    trap - ERR
    ((BASH_SUBSHELL == 0)) || exit "$code"
    printf 'install: "%s" failed (exit %d; what it said is above); %s\n' "$doing" "$code" "$remedy" >&2
    printf 'install: what was done before it is written down: run this again, or take it back with --undo\n' >&2
    exit 1
}

# Do one thing, or only say so. Arguments: what it is, what to do if it fails, the command.
change() {
    doing=$1 remedy=$2
    shift 2
    changed=$((changed + 1))
    say "$doing"
    [[ $(type -t "$1") == function ]] || printf '           %s\n' "$*"
    $dry || "$@"
}

# Say what is left as it is, though it is not as it should be. Arguments: what it is, what to do.
leave() {
    kept=$((kept + 1))
    say "left as it is: $1; $2"
}

# -- the record -------------------------------------------------------------------------------------------------------

# The detail of a line in the record. Arguments: kind, name. Fails if there is none.
recorded() {
    [[ -e $root$record_file ]] || return 1
    awk -F '\t' -v kind="$1" -v name="$2" \
        '$1 == kind && $2 == name { print $3; found = 1 } END { exit !found }' "$root$record_file"
}

# All names of a kind in the record, the last one first.
all_recorded() {
    [[ ! -e $root$record_file ]] || awk -F '\t' -v kind="$1" '$1 == kind { print $2 }' "$root$record_file" | tac
}

# Write a line into the record, in the place of an older one. Arguments: kind, name, detail.
note() {
    $dry && return
    [[ "$(recorded "$1" "$2" || true)" != "${3:--}" ]] || return 0
    forget "$1" "$2"
    printf '%s\t%s\t%s\n' "$1" "$2" "${3:--}" >>"$root$record_file"
    sync "$root$record_file"
}

# Take a line out of the record. Arguments: kind, name.
forget() {
    $dry && return
    [[ -e $root$record_file ]] || return 0
    awk -F '\t' -v kind="$1" -v name="$2" '$1 != kind || $2 != name' "$root$record_file" >"$root$record_file.new"
    mv "$root$record_file.new" "$root$record_file"
}

# -- folders and files ------------------------------------------------------------------------------------------------

# Make a folder and those above it. Argument: its path.
make_folder() {
    local path=$1
    [[ ! -d $root$path ]] || return 0
    make_folder "$(dirname "$path")"
    note folder "$path"
    $dry || mkdir -m 0755 "$root$path"
}

hash_of() {
    sha256sum <"$1" | cut -d ' ' -f 1
}

# Write a file as a whole or not at all.
write_file() {
    make_folder "$(dirname "$2")"
    note file "$2" "$(hash_of "$1")"
    install -m 0644 "$1" "$root$2.new"
    sync "$root$2.new"
    mv "$root$2.new" "$root$2"
}

# Have a file be there. Arguments: what it is, the source, the target, and what the source was made from, if it was.
put_file() {
    local what=$1 source=$2 target=$3 from=${4:-$2} before='' wanted now=''
    before=$(recorded file "$target" || true)
    wanted=$(hash_of "$source")
    [[ ! -e $root$target ]] || now=$(hash_of "$root$target")
    if [[ $now == "$wanted" ]]; then
        return
    elif [[ -z $now || $now == "$before" ]]; then
        change "$what: $from to $root$target" "see that there is room and that it can be written (df -h, mount)" \
            write_file "$source" "$target"
    elif [[ -z $before ]]; then
        leave "$what: $target was there before" \
            "compare it with $from; delete it to have it replaced, then run again"
    elif [[ $before != "$wanted" ]]; then
        leave "$what: $target was changed by hand, and there is a new one" \
            "compare it with $from; delete it to have it replaced, then run again"
    fi
}

# Take a file away again. Argument: its path.
take_file() {
    local path=$1
    if [[ -e $root$path && $(hash_of "$root$path") != "$(recorded file "$path")" ]]; then
        leave "$path was changed by hand" "delete it if it is not wanted any more"
    elif [[ -e $root$path ]]; then
        change "$path away" "see that it can be written (mount)" rm "$root$path"
    fi
    forget file "$path"
}

# Take a folder away again if nothing is in it. Argument: its path.
take_folder() {
    $dry && return
    if [[ -d $root$1 ]] && rmdir "$root$1" 2>/dev/null; then
        say "$1 away, it was empty"
    fi
    forget folder "$1"
}

# -- parts of files that belong to the system -------------------------------------------------------------------------

# The whole of a file, with the line ends at its end. Argument: the file.
contents() {
    cat "$1"
    printf .
}

# Replace a file in one step, with its mode and owner. Arguments: the file, what is to be in it.
rewrite() {
    cp --preserve=mode,ownership "$1" "$1.new"
    printf '%s' "$2" >"$1.new"
    sync "$1.new"
    mv "$1.new" "$1"
}

# Add lines at the end of a file. Arguments: its name in the record, the file, the lines with a line end before each.
add_lines() {
    local name=$1 file=$root$2 text
    text=$(contents "$file")
    note lines "$name"
    rewrite "$file" "${text%.}$3"$'\n'
}

# Take the lines out again: all of it where it still ends the file, else the last line only, because what was added
# behind it by hand may rely on the section that the others begin.
take_lines() {
    local name=$1 file=$root$2 lines=$3$'\n' text
    text=$(contents "$file")
    text=${text%.}
    if [[ $text == *"$lines" ]]; then
        rewrite "$file" "${text%"$lines"}"
    else
        rewrite "$file" "${text/$'\n'"${3##*$'\n'}"$'\n'/$'\n'}"
    fi
    forget lines "$name"
}

# Put a word before the others in the kernel's command line. Arguments: the word, the file.
add_word() {
    local text
    text=$(contents "$root$2")
    note word "$1"
    rewrite "$root$2" "$1 ${text%.}"
}

# Take it out, wherever it stands.
take_word() {
    local text
    text=" $(contents "$root$2")"
    text=${text%.}
    text=${text/ "$1"/}
    rewrite "$root$2" "${text# }"
    forget word "$1"
}

has_word() {
    grep -qE "(^| )$1( |\$)" "$root$2" 2>/dev/null
}
