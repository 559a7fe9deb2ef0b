#!/bin/bash -p
# Installs zerobeat as a service on Debian or Raspberry Pi OS; run again with a newer tree to upgrade.
#   sudo systemd/install.sh [--wheels FOLDER] [--no-start]    install or upgrade from this tree
#   sudo systemd/install.sh --from FILE.whl|FILE.tar.gz ...   ... from a package instead
#   sudo systemd/install.sh --back                            the version before, with its units
#   sudo systemd/install.sh --remove [--purge]                remove; --purge: rig, scenes, profiles too
# --wheels: take Python packages from a folder and nothing from a network.
# Every version has a folder of its own in /opt/zerobeat, its units beside its code. A version is made
# complete and tried before anything points to it; a step that fails leaves what was there as it was.
set -eu
umask 022
# No variable of the caller's may name code or a folder of someone else's.
PATH=/usr/sbin:/usr/bin:/sbin:/bin
for name in $(compgen -e); do
    case "$name" in
        PATH | TERM | SUDO_USER | SSL_CERT_FILE | PIP_CERT | PIP_INDEX_URL | PIP_EXTRA_INDEX_URL) ;;
        http_proxy | https_proxy | no_proxy | HTTP_PROXY | HTTPS_PROXY | NO_PROXY) ;;
        *) unset -v "$name" 2>/dev/null || true ;;
    esac
done
export PATH HOME=/root LC_ALL=C.UTF-8 DEBIAN_FRONTEND=noninteractive

base=/opt/zerobeat
etc=/etc/zerobeat
units=/etc/systemd/system
# What an installer before this one placed; later ones keep the list as the folder "service".
first_files="zerobeat.service zerobeat-touchup.service zerobeat-touchup.path zerobeat.modules.conf zerobeat.sysusers.conf"
wheels="" start=yes act=install purge=""
origin=""  # what zerobeat --version says of it
made="" switching="" previous="" was_active=""

fail() {
    local text="install.sh: $*"
    echo "${text//[[:cntrl:]]/?}" >&2  # a file's name may hold what a terminal obeys
    exit 1
}

# ---------------------------------------------------------------- what root relies on

arguments() {
    while [ $# -gt 0 ]; do
        case "$1" in
            --wheels) wheels="$(realpath -e -- "${2:?--wheels FOLDER}" 2>/dev/null)" || fail "$2: is not there"; shift ;;
            --from) source="$(realpath -e -- "${2:?--from FILE}" 2>/dev/null)" || fail "$2: is not there"
                [ -n "$origin" ] || origin="installer, from a package"; shift ;;
            --stage-bundle) origin="stage bundle, ${2:?--stage-bundle TARGET}"; shift ;;  # said by its install
            --no-start) start="" ;;
            --remove) act=remove ;;
            --purge) purge=yes ;;
            --back) act=back ;;
            -h | --help) sed -n '2,9p' "${BASH_SOURCE[0]}" | sed 's/^# \{0,1\}//'; exit 0 ;;
            *) fail "found $1; allowed: --from, --wheels, --no-start, --back, --remove, --purge, --help" ;;
        esac
        shift
    done
}

# Prints the first file or folder of those that find is given that others than root and user $1 may change.
changeable() {
    local owner="$1" group; shift
    group="$(getent group -- "$(id -un -- "$owner" 2>/dev/null)" | cut -d: -f3)"  # a group of one's own
    find "$@" \( ! -uid 0 ! -uid "$owner" -o ! -type l -perm -o+w -o ! -type l -perm -g+w \
        ! -gid 0 ! -gid "${group:-0}" \) -print -quit
}

# Root runs what is in PATH: only its owner and root may be able to change it, or a folder on the way to it.
trusted() {
    local path="$1" owner found
    owner="$(stat -c %u -- "$path")"
    found="$(changeable "$owner" "$path" -mindepth 1 -name '.?*' -prune -o)"
    [ -n "$found" ] || found="$(changeable "$owner" "$path" -maxdepth 0)"
    while [ -z "$found" ] && [ "$path" != / ]; do
        path="$(dirname -- "$path")"
        found="$(changeable "$owner" "$path" -maxdepth 0 ! -perm -1000)"  # sticky: others can't rename
    done
    [ -z "$found" ] || fail "$found: others than its owner may change it, and root would run it;" \
        "copy all to a folder of your own, or: chmod -R go-w"
}

# Root only writes in, and takes units from, folders that nobody else can change or swap.
roots_alone() {
    local folder path found
    for folder in "$@"; do
        path="$(realpath -m -- "$folder")"
        while :; do
            found=""
            [ ! -e "$path" ] || found="$(changeable 0 "$path" -maxdepth 0)"
            [ -z "$found" ] || fail "$found: is not root's alone; what was there is unchanged;" \
                "look at what is in it, then: chown -R root, chmod -R go-w"
            [ "$path" != / ] || break
            path="$(dirname -- "$path")"
        done
        mkdir -p -- "$folder" || fail "$folder: no folder can be made there; what was there is unchanged"
    done
}

as_service() {  # as the user of the service, without any right of root's, nor root's terminal
    setsid --wait setpriv --reuid=zerobeat --regid=zerobeat --init-groups --inh-caps=-all --no-new-privs \
        -- "$@" </dev/null 9>&-
}

# ---------------------------------------------------------------- packages

needs() {  # Debian packages, asked for only if one is missing
    local missing="" package
    for package in "$@"; do
        dpkg-query -W -f='${Status}' "$package" 2>/dev/null | grep -q 'ok installed' || missing="$missing $package"
    done
    [ -n "$missing" ] || return 0
    echo "installing Debian packages:$missing"
    # shellcheck disable=SC2086  # a list of words
    if [ -n "$wheels" ]; then
        apt-get install -y -qq --no-install-recommends --no-download $missing >&2 ||
            echo "not installed, and no network wanted:$missing" >&2
    else
        { apt-get update -qq && apt-get install -y -qq --no-install-recommends $missing; } >&2 ||
            fail "the Debian packages could not be installed:$missing; what was there is unchanged"
    fi
}

python_is_right() {
    command -v python3 >/dev/null || fail "found no python3; apt-get install python3 python3-venv"
    python3 -I -c 'import sys; sys.exit(not (3, 11) <= sys.version_info < (3, 14))' ||
        fail "found $(python3 --version 2>&1); allowed: Python 3.11 to 3.13"
    case "$(uname -m)" in
        x86_64 | aarch64) ;;
        *) fail "found a $(uname -m) system; allowed: x86_64 or aarch64 (64-bit), for which packages are made" ;;
    esac
}

# ---------------------------------------------------------------- versions

versions() {  # the complete ones, oldest first
    local folder
    for folder in "$base"/[0-9]*-[0-9]*; do
        [ ! -x "$folder/bin/zerobeat" ] || [ -e "$folder/unfinished" ] || echo "$folder"
    done
}

in_use() {
    local folder
    folder="$(readlink "$base/current" || true)"
    [ ! -x "$folder/bin/zerobeat" ] || echo "$folder"
}

make_version() {  # sets $made, the folder of a new version that the service can read and start
    local site=() options=(--quiet --disable-pip-version-check --no-warn-script-location) file
    # Where pip has no ready-made python-rtmidi, the distribution's own package is used.
    if python3 -I -c 'import sys; sys.exit(sys.version_info < (3, 13))'; then
        needs python3-rtmidi; site=(--system-site-packages)
    fi
    [ -z "$wheels" ] || options+=(--no-index --find-links "$wheels")
    file="$base/$(date -u +%Y%m%d-%H%M%S)"
    mkdir -- "$file"
    made="$file"
    : >"$made/unfinished"
    python3 -I -m venv "${site[@]}" "$made" >&2 ||
        fail "no environment for Python could be made; what was there is unchanged"
    "$made/bin/python" -I -m pip install "${options[@]}" "${source}[alsa]" >&2 ||
        fail "the packages could not be installed; what was there is unchanged"
    "$made/bin/python" -I -m pip install "${options[@]}" sounddevice >&2 ||
        echo "no audio library: it plays, but touch-up by foot and measuring on this box need sounddevice" >&2
    printf '%s\n' "${origin:-installer, from a source tree}" >"$made/zerobeat-origin"
    "$made/bin/python" -I -m pip install "${options[@]}" segno >&2 ||
        echo "no segno: zerobeat page --pair shows a link, but no code to scan" >&2
    mkdir "$made/service"
    for file in "$here"/*.service "$here"/*.path "$here"/*.conf "$here/README.md"; do
        # Each unit names its own version, so that it can never run another's code.
        sed "s|$base/current/|$made/|g" "$file" >"$made/service/$(basename "$file")"
    done
    as_service "$made/bin/python" -I -c 'import rtmidi, alsa_midi, zerobeat.cli' >&2 ||
        fail "the new version does not start; what was there is unchanged"
    sync -f "$base"
    rm "$made/unfinished"
}

keep_first_files() {  # of a version whose installer kept none beside it: what is placed is its own
    local name
    [ -n "$previous" ] && [ ! -e "$previous/service" ] || return 0
    rm -rf "$previous/service.new"
    mkdir "$previous/service.new"
    for name in $first_files; do
        [ ! -f "$(place "$name")" ] || cp -- "$(place "$name")" "$previous/service.new/$name"
    done
    [ ! -f "$base/share/README.md" ] || cp -- "$base/share/README.md" "$previous/service.new/"
    mv -T "$previous/service.new" "$previous/service"
}

# ---------------------------------------------------------------- the switch

place() {  # where a file of the folder "service" belongs
    case "$1" in
        zerobeat.modules.conf) echo /etc/modules-load.d/zerobeat.conf ;;
        zerobeat.sysusers.conf) echo /etc/sysusers.d/zerobeat.conf ;;
        README.md) echo "$base/share/README.md" ;;
        *) echo "$units/$1" ;;
    esac
}

put() {  # FILE PLACE: the old file or the new one is there, never a part, and no link is followed
    install -m 644 -- "$1" "$2.new"
    mv -fT -- "$2.new" "$2" || { rm -f -- "$2.new"; return 1; }
}

point_to() {
    ln -sfnT "$1" "$base/current.new"
    mv -fT "$base/current.new" "$base/current"
}

installable() { grep -l '^\[Install\]' "$1"/service/*.* | xargs -r -n 1 basename; }

switch_to() {  # VERSION: its units and its code; whenever this is cut short, every unit finds its own code
    local file name
    if grep -q "$base/current/" "$1"/service/*.service; then point_to "$1"; fi
    for file in "$1"/service/*; do put "$file" "$(place "$(basename "$file")")"; done
    point_to "$1"
    for file in "$base"/[0-9]*/service/*; do
        name="$(basename "$file")"
        if [ ! -e "$1/service/$name" ] && [ -e "$(place "$name")" ]; then take_away "$name"; fi
    done
    sync -f /etc
    systemctl daemon-reload
}

take_away() {  # NAME of a file in the folder "service"
    case "$1" in
        *.conf | *.md) ;;
        *) systemctl -q disable --now "$1" 2>/dev/null || true ;;
    esac
    rm -f -- "$(place "$1")" "$(place "$1").new"
}

play_from() {  # VERSION: stop, switch, start; the runtime directory of the other version goes with the stop
    local name
    was_active="$(systemctl is-active zerobeat.service 2>/dev/null || true)"
    switching=yes
    [ -z "$start" ] || systemctl stop zerobeat.service 2>/dev/null || true
    switch_to "$1"
    for name in $(installable "$1"); do
        # Going back changes nothing in what a player has enabled or disabled.
        if [ "$act" != back ] || [ ! -e "$previous/service/$name" ]; then systemctl -q enable "$name"; fi
    done
    if [ -n "$start" ] && ! start_units; then
        [ -z "$previous" ] || [ "$was_active" != active ] ||
            fail "$1 does not start (ask: journalctl -u zerobeat -n 20)"
        echo "it did not start; ask: journalctl -u zerobeat -n 20; zerobeat doctor" >&2
    fi
    switching=""
}

start_units() {
    systemctl start zerobeat.service && systemctl restart zerobeat-touchup.path || return 1
    [ ! -e "$units/zerobeat-page.path" ] || systemctl restart zerobeat-page.path || return 1
    [ ! -e "$units/zerobeat-follow.path" ] || systemctl restart zerobeat-follow.path || return 1
    systemctl try-restart zerobeat-follow.service 2>/dev/null || true
    systemctl try-restart zerobeat-page.service 2>/dev/null || true  # it may be from another version
}

# shellcheck disable=SC2317  # a trap calls it
finish() {  # on every way out: what is not done is undone
    local status=$? name
    trap - EXIT
    trap '' HUP INT TERM
    set +e
    if [ -n "$switching" ]; then
        if [ -n "$previous" ]; then
            systemctl stop zerobeat.service 2>/dev/null
            switch_to "$previous"
            [ "$was_active" != active ] || start_units
            echo "install.sh: $previous is in use, as before" >&2
        else
            for name in "$made"/service/*; do take_away "$(basename "$name")"; done
            rm -f "$base/current" "$base/current.new"
            systemctl daemon-reload
        fi
    fi
    if [ -n "$made" ] && [ "$(readlink "$base/current")" != "$made" ]; then rm -rf "$made"; fi
    exit "$status"
}

# ---------------------------------------------------------------- what belongs to the player

# Members of the group may change what is in the folder of the rig, so root makes it as a whole and from
# then on changes nothing in it: neither mode nor owner, and it follows no link.
make_rig() {
    if [ ! -e "$etc" ] && [ ! -L "$etc" ]; then
        rm -rf "$etc.new"
        mkdir "$etc.new"
        chgrp zerobeat "$etc.new"
        chmod 2775 "$etc.new"
        mv -T "$etc.new" "$etc"
    fi
    if as_service test -e "$etc/rig.yaml" || as_service test -L "$etc/rig.yaml"; then
        as_service test -r "$etc/rig.yaml" ||
            echo "$etc/rig.yaml: the service can't read it; ask: ls -lL $etc/rig.yaml" >&2
    elif (umask 002; as_service "$made/bin/python" -I -m zerobeat init "$etc/rig.yaml" >/dev/null); then
        echo "wrote a starter rig: $etc/rig.yaml"
    else
        echo "no rig is there; write one: zerobeat init $etc/rig.yaml" >&2
    fi
}

# Manual pages and completions, where man and the shells look. What can't be placed is only missed.
place_help() {
    local file
    take_help_away
    (cd -- "$base/current/share" 2>/dev/null && find man bash-completion zsh fish -type f -name '*zerobeat*' 2>/dev/null) |
        while read -r file; do
            mkdir -p "/usr/local/share/${file%/*}" && ln -sfnT "$base/current/share/$file" "/usr/local/share/$file"
        done || echo "/usr/local/share: manual pages and completions could not all be linked there" >&2
}

take_help_away() {
    find /usr/local/share/man /usr/local/share/bash-completion /usr/local/share/zsh /usr/local/share/fish \
        -lname "$base/current/share/*" -delete 2>/dev/null || true
}

join_player() {
    local player="${SUDO_USER:-root}"
    [ "$player" != root ] && id -u -- "$player" >/dev/null 2>&1 || return 0
    if usermod -aG zerobeat,audio -- "$player"; then
        echo "user $player joined groups zerobeat and audio; this counts from the next log-in"
    else
        echo "user $player is not in groups zerobeat and audio; ask: usermod -aG zerobeat,audio $player" >&2
    fi
}

# ---------------------------------------------------------------- what it does

do_install() {
    local version
    trusted "$here"
    trusted "$source"
    [ -z "$wheels" ] || trusted "$wheels"
    needs python3 python3-venv libportaudio2
    python_is_right
    if ! ldconfig -p | grep -q 'libasound\.so\.2'; then  # its package changed names with Debian 13
        if apt-cache show libasound2t64 >/dev/null 2>&1; then needs libasound2t64; else needs libasound2; fi
    fi
    roots_alone "$base/share" "$units" /etc/modules-load.d /etc/sysusers.d
    previous="$(in_use)"
    [ -z "$previous" ] || roots_alone "$previous"
    mkdir -p /usr/local/bin
    chmod 755 "$base" "$base/share"
    for version in "$base"/[0-9]*-[0-9]*; do  # left by a run that was killed
        [ ! -e "$version/unfinished" ] || rm -rf "$version"
    done
    systemd-sysusers "$here/zerobeat.sysusers.conf"
    make_version
    keep_first_files
    make_rig
    modprobe -qa snd-seq snd-seq-midi 2>/dev/null || echo "the sequencer module can't be loaded; ask: zerobeat doctor" >&2
    play_from "$made"
    ln -sfnT "$base/current/bin/zerobeat" /usr/local/bin/zerobeat ||
        echo "/usr/local/bin/zerobeat: no link could be made; the command is $base/current/bin/zerobeat" >&2
    place_help
    join_player
    for version in "$base"/[0-9]*-[0-9]*; do  # the one in use and the one before stay
        [ "$version" = "$made" ] || [ "$version" = "$previous" ] || rm -rf "$version"
    done
    echo "zerobeat is installed: $(as_service "$made/bin/python" -I -m zerobeat --version). Next: edit $etc/rig.yaml,"
    echo "then: zerobeat check $etc/rig.yaml && sudo systemctl reload zerobeat"
}

do_back() {
    local before
    previous="$(in_use)"
    [ -n "$previous" ] || fail "nothing is installed"
    before="$(versions | grep -vxF "$previous" | tail -1)"
    [ -n "$before" ] || fail "no version before this one is kept"
    roots_alone "$base/share" "$units" /etc/modules-load.d /etc/sysusers.d "$previous" "$before"
    keep_first_files
    # Two versions of an installer that kept no units: what is placed serves both.
    [ -e "$before/service" ] || cp -r "$previous/service" "$before/service"
    play_from "$before"
    place_help
    echo "back to $before"
}

do_remove() {
    local name
    for name in $first_files $(find "$base" -mindepth 3 -maxdepth 3 -path '*/service/*' -printf '%f\n' 2>/dev/null); do
        take_away "$name"
    done
    rm -rf "$units/zerobeat.service.d"
    [ "$(readlink /usr/local/bin/zerobeat)" != "$base/current/bin/zerobeat" ] || rm -f /usr/local/bin/zerobeat
    take_help_away
    rm -rf "$base"
    systemctl daemon-reload
    if [ -n "$purge" ]; then
        rm -rf "$etc" /var/lib/zerobeat /var/lib/zerobeat-page /var/lib/zerobeat-follow
        userdel zerobeat-page 2>/dev/null || true
        userdel zerobeat-follow 2>/dev/null || true
        groupdel zerobeat-follow 2>/dev/null || true
        groupdel zerobeat-stage 2>/dev/null || true
        userdel zerobeat 2>/dev/null || true
        groupdel zerobeat 2>/dev/null || true
        echo "zerobeat is removed, with rig, scenes and profiles"
    else
        echo "zerobeat is removed; $etc and /var/lib/zerobeat (scenes, profiles) are kept; --purge removes them"
    fi
}

main() {
    here="$(cd -P -- "$(dirname -- "${BASH_SOURCE[0]}")" && pwd)" || fail "its own folder is not to be found"
    source="$(dirname "$here")"
    arguments "$@"
    [ "$(id -u)" = 0 ] || fail "run it as root: sudo $0"
    cd /
    umask 077  # who can open a file can lock it
    exec 9>/run/zerobeat-install.lock
    umask 022
    flock -n 9 || fail "another run of it is not done yet"
    trap finish EXIT
    trap 'exit 129' HUP
    trap 'exit 130' INT
    trap 'exit 143' TERM
    case "$act" in
        install) do_install ;;
        back) do_back ;;
        remove) do_remove ;;
    esac
}

main "$@"; exit 0  # on one line: bash reads a script as it runs it, and this one may change meanwhile
