#!/bin/sh
# Collects what linkprobe judges PCI Express links by into one tar, where there is no Python. Any POSIX shell, BusyBox
# too:   sh capture.sh [FILE.tar]   and then, on any machine:   linkprobe audit FILE.tar
# It reads, and wakes nothing: a device's power state comes first, and the config space of one that sleeps is left
# alone. It reads no rom, no vpd and no resource file. Only root sees all; anybody may run it.
# Made by linkprobe @VERSION@ from the table its own reader works by.
set -u
umask 077
LC_ALL=C
export LC_ALL

root=${LINKPROBE_ROOT:-} # where / of the machine is, if it is not /
host=$(uname -n)
out=${1:-linkprobe-$host-$(date -u +%Y%m%dT%H%M%SZ).tar}
stage=${TMPDIR:-/tmp}/linkprobe-capture-$$
notes=$stage/@NOTES@

fail() {
    echo "linkprobe capture: $1" >&2
    exit 64
}

command -v tar >/dev/null 2>&1 || fail "tar is not here; nothing was written"
[ -d "$root/@DEVICES@" ] || fail "$root/@DEVICES@: no PCI devices are listed; is /sys mounted?"
mkdir "$stage" || fail "$stage: cannot be made; set TMPDIR to a directory with room"
trap 'rm -rf "$stage" "$out.part"' EXIT
trap 'exit 130' HUP INT TERM

unread() {
    printf 'unread\t%s\t%s\n' "$1" "$2" >>"$notes"
}

# One file, read to its end: the size that sysfs states is not its size, so tar cannot take it from there.
keep() {
    [ -e "$root/$1" ] || return 0
    [ -d "$stage/${1%/*}" ] || mkdir -p "$stage/${1%/*}"
    if ! said=$(cat "$root/$1" 2>&1 >"$stage/$1"); then
        rm -f "$stage/$1"
        unread "$1" "${said##*: }"
    fi
}

keep_all() { # DIRECTORY NAME...
    directory=$1
    shift
    for name; do keep "$directory/$name"; done
}

# The first line of what was kept, if anything was.
kept() {
    line=
    [ -f "$stage/$1" ] && read -r line <"$stage/$1"
    echo "$line"
}

point() { # DIRECTORY NAME: a symbolic link as it is
    [ -L "$root/$1/$2" ] && ln -s "$(readlink "$root/$1/$2")" "$stage/$1/$2"
}

listed() { # DIRECTORY: only its name counts, so nothing in it is read
    mkdir -p "$stage/$1"
    : >"$stage/$1/listed"
}

state_of() { # PLACE: the power state of a function, and how the kernel runs it
    runtime=
    state=
    [ -r "$root/$1/@RUNTIME_STATUS@" ] && read -r runtime <"$root/$1/@RUNTIME_STATUS@"
    [ -r "$root/$1/@POWER_STATE@" ] && read -r state <"$root/$1/@POWER_STATE@"
}

sleeps() { # PLACE
    state_of "$1"
    case $runtime/$state in
    @SUSPENDED@/* | @ASLEEP@) return 0 ;;
    esac
    return 1
}

sleeps_above() { # PLACE: whether a function sleeps on which that one hangs
    above=$1
    while above=${above%/*} && [ "$above" != "${above%/*}" ]; do
        case ${above##*/} in
        *:*:*.*) sleeps "$above" && return 0 ;;
        esac
    done
    return 1
}

asleep() { # PLACE NAME...: those that are there were not read for that
    directory=$1
    shift
    for name; do [ -e "$root/$directory/$name" ] && unread "$directory/$name" "@LEFT_ASLEEP@"; done
}

function_at() { # PLACE: one function, what cannot wake it first
    mkdir -p "$stage/$1/power"
    keep_all "$1" @RUNTIME@ @POWER@ @QUIET@
    keep_all "$1/@LINK_FOLDER@" @ASPM@
    stirs=
    sleeps_above "$1" && stirs=all
    sleeps "$1" && drowsy=all || drowsy=$stirs
    [ "$state" = @DEEPEST_SLEEP@ ] && stirs=all
    if [ "$drowsy" ]; then asleep "$1" @FROM_DRIVER@; else keep_all "$1" @FROM_DRIVER@; fi
    if [ "$stirs" ]; then asleep "$1" @FROM_REGISTERS@; else keep_all "$1" @FROM_REGISTERS@; fi
    for name in @POINTERS@; do point "$1" "$name"; done
    for label in "$root/$1"/hwmon/*/label; do keep "${label#"$root/"}"; done
    for light in "$root/$1"/leds/*; do [ -e "$light" ] && listed "${light#"$root/"}"; done
    if [ "$drowsy" ]; then asleep "$1" config; else keep "$1/config"; fi
}

# The log never ends, so its reader is stopped once nothing more comes.
kernel_log() {
    mkdir -p "$stage/dev"
    cat "$root/@KERNEL_LOG@" 2>"$stage/said" >"$stage/@KERNEL_LOG@" &
    reader=$!
    before=-1
    for _ in 1 2 3 4 5 6 7 8 9; do
        kill -0 "$reader" 2>/dev/null || break
        sleep 1
        now=$(wc -c <"$stage/@KERNEL_LOG@")
        [ "$now" -eq "$before" ] && break
        before=$now
    done
    kill "$reader" 2>/dev/null
    wait "$reader" 2>/dev/null
    read -r said <"$stage/said" || said=
    rm -f "$stage/said"
    if [ -n "$said" ] && [ ! -s "$stage/@KERNEL_LOG@" ]; then
        rm -f "$stage/@KERNEL_LOG@"
        unread "@KERNEL_LOG@" "${said##*: }"
    fi
}

# machine-id(5) asks not to show the id itself: HMAC-SHA256 of our application id keyed by it, as a UUID of version 4.
bytes() { # HEXADECIMAL MASK: the bytes, each combined with the mask
    rest=$1
    while [ -n "$rest" ]; do
        printf %b "\\0$(printf %03o $((0x${rest%"${rest#??}"} ^ $2)))"
        rest=${rest#??}
    done
}

digest() {
    sha256sum | cut -c 1-64
}

machine_id() {
    read -r id <"$root/@MACHINE_ID@" || return 0
    case $id in
    *[!0-9a-f]* | "") return 0 ;;
    esac
    [ ${#id} -eq 32 ] && command -v sha256sum >/dev/null 2>&1 || return 0
    key=${id}000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000
    inner=$({ bytes "$key" 0x36; bytes @APPLICATION@ 0; } | digest)
    outer=$({ bytes "$key" 0x5c; bytes "$inner" 0; } | digest)
    sixth=$(echo "$outer" | cut -c 13-14)
    eighth=$(echo "$outer" | cut -c 17-18)
    printf 'machine_id\t%s%02x%s%02x%s\n' "$(echo "$outer" | cut -c 1-12)" $((0x$sixth & 0x0f | 0x40)) \
        "$(echo "$outer" | cut -c 15-16)" $((0x$eighth & 0x3f | 0x80)) "$(echo "$outer" | cut -c 19-32)" >>"$notes"
}

taken=$(date -u +%Y-%m-%dT%H:%M:%S+00:00)
privileged=no
[ "$(id -u)" -eq 0 ] && privileged=yes
printf 'taken_at\t%s\nprivileged\t%s\n' "$taken" "$privileged" >"$notes"
[ -r "$root/@MACHINE_ID@" ] && machine_id

top=$(cd "${root:-/}" && pwd -P)
mkdir -p "$stage/@DEVICES@"
for link in "$root/@DEVICES@"/*; do
    [ -d "$link" ] || continue
    place=$(cd "$link" && pwd -P)
    place=${place#"${top%/}"/}
    [ -L "$link" ] && ln -s "$(readlink "$link")" "$stage/@DEVICES@/${link##*/}"
    function_at "$place"
done
for slot in "$root/@SLOTS@"/*; do keep_all "@SLOTS@/${slot##*/}" @SLOT@; done
for device in "$root/@THERMAL@"/cooling_device*; do
    device=@THERMAL@/${device##*/}
    keep "$device/type"
    case $(kept "$device/type") in
    @COOLING_TYPE@*) keep_all "$device" @COOLING@ ;;
    *) rm -f "$stage/$device/type" ;;
    esac
done
for node in "$root/@NODES@"/node[0-9]*; do
    node=@NODES@/${node##*/}
    keep "$node/@NODE@"
    first=$(kept "$node/@NODE@")
    [ -n "$first" ] && keep "@PROCESSORS@/cpu${first%%[-,]*}/@PACKAGE@"
done
keep_all @FIRMWARE_PLACE@ @FIRMWARE@
for name in @HOST@ @SMBIOS@; do keep "$name"; done
kernel_log

(cd "$stage" && tar cf - .) >"$out.part" || fail "$out: cannot be written; give a place with room"
mv "$out.part" "$out" || fail "$out: cannot be written"
echo "$out: now run   linkprobe audit $out   on a machine that has linkprobe" >&2
