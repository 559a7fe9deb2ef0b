#!/usr/bin/env bash
# Installs zerobeat as a service on Debian or Raspberry Pi OS; run again with a newer tree to upgrade.
#   sudo systemd/install.sh [--wheels FOLDER] [--no-start]    install or upgrade from this tree
#   sudo systemd/install.sh --from FILE.whl|FILE.tar.gz ...   ... from a package instead
#   sudo systemd/install.sh --remove [--purge]                remove; --purge: rig, scenes, profiles too
# --wheels: take Python packages from a folder and nothing from a network.
# Every version gets a folder of its own in /opt/zerobeat; "current" points to the one in use, so an
# upgrade that fails half-way changes nothing, and the one before stays for --back.
#   sudo systemd/install.sh --back                            the version before
set -eu
here="$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)"
base=/opt/zerobeat
units="zerobeat.service zerobeat-touchup.service zerobeat-touchup.path"
source="$(dirname "$here")" wheels="" start=yes act=install purge=""

fail() { echo "install.sh: $*" >&2; exit 1; }

arguments() {
    while [ $# -gt 0 ]; do
        case "$1" in
            --wheels) wheels="$(realpath "${2:?--wheels FOLDER}")"; shift ;;
            --from) source="$(realpath "${2:?--from FILE}")"; shift ;;
            --no-start) start="" ;;
            --remove) act=remove ;;
            --purge) purge=yes ;;
            --back) act=back ;;
            -h | --help) sed -n '2,10p' "$0" | sed 's/^# \{0,1\}//'; exit 0 ;;
            *) fail "found $1; allowed: --from, --wheels, --no-start, --back, --remove, --purge, --help" ;;
        esac
        shift
    done
}

needs() {  # Debian packages, asked for only if one is missing
    local missing="" package
    for package in "$@"; do
        dpkg-query -W -f='${Status}' "$package" 2>/dev/null | grep -q 'ok installed' || missing="$missing $package"
    done
    [ -z "$missing" ] && return 0
    [ -z "$wheels" ] || { echo "not installed, and no network wanted:$missing" >&2; return 0; }
    echo "installing Debian packages:$missing"
    # shellcheck disable=SC2086  # a list of words
    apt-get update -qq && DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends $missing
}

python_is_right() {
    python3 -c 'import sys; sys.exit(not (3, 11) <= sys.version_info < (3, 14))' ||
        fail "found $(python3 --version 2>&1); allowed: Python 3.11 to 3.13"
    case "$(uname -m)" in
        x86_64 | aarch64) ;;
        *) fail "found a $(uname -m) system; allowed: x86_64 or aarch64 (64-bit), for which packages are made" ;;
    esac
}

make_version() {  # prints the folder of a new, complete version
    local folder site="" options=(--quiet --disable-pip-version-check --no-warn-script-location)
    folder="$base/$(date -u +%Y%m%d-%H%M%S)"
    # Where pip has no ready-made python-rtmidi, the distribution's own package is used.
    if python3 -c 'import sys; sys.exit(sys.version_info < (3, 13))'; then
        needs python3-rtmidi >&2; site=--system-site-packages
    fi
    mkdir -p "$base"
    # shellcheck disable=SC2086
    python3 -m venv $site "$folder"
    [ -z "$wheels" ] || options+=(--no-index --find-links "$wheels")
    "$folder/bin/pip" install "${options[@]}" "$source$extras" >&2 ||
        { rm -rf "$folder"; fail "the packages could not be installed; what was there is unchanged"; }
    "$folder/bin/pip" install "${options[@]}" sounddevice >&2 ||
        echo "no audio library: it plays, but touch-up by foot and measuring on this box need sounddevice" >&2
    "$folder/bin/python" -c 'import rtmidi, alsa_midi, zerobeat.cli' >&2 ||
        { rm -rf "$folder"; fail "the new version does not start; what was there is unchanged"; }
    echo "$folder"
}

point_to() {
    ln -sfn "$1" "$base/current.new"
    mv -T "$base/current.new" "$base/current"
}

versions() { find "$base" -mindepth 1 -maxdepth 1 -type d -name '[0-9]*-[0-9]*' | sort; }

put_files() {
    install -d -m 755 /etc/systemd/system /etc/modules-load.d /etc/sysusers.d /usr/local/bin "$base/share"
    local unit
    for unit in $units; do install -m 644 "$here/$unit" "/etc/systemd/system/$unit"; done
    install -m 644 "$here/zerobeat.modules.conf" /etc/modules-load.d/zerobeat.conf
    install -m 644 "$here/zerobeat.sysusers.conf" /etc/sysusers.d/zerobeat.conf
    install -m 644 "$here/README.md" "$base/share/README.md"
    systemd-sysusers /etc/sysusers.d/zerobeat.conf
    ln -sfn "$base/current/bin/zerobeat" /usr/local/bin/zerobeat
    modprobe -qa snd-seq snd-seq-midi || echo "the sequencer module can't be loaded; ask: zerobeat doctor" >&2
    # The player may edit the rig; the service only reads it.
    install -d -m 2775 -g zerobeat /etc/zerobeat
    if [ ! -e /etc/zerobeat/rig.yaml ]; then
        "$base/current/bin/zerobeat" init /etc/zerobeat/rig.yaml >/dev/null
        chgrp zerobeat /etc/zerobeat/rig.yaml && chmod 664 /etc/zerobeat/rig.yaml
        echo "wrote a starter rig: /etc/zerobeat/rig.yaml"
    fi
    local player="${SUDO_USER:-}"
    if [ -n "$player" ] && [ "$player" != root ]; then
        usermod -aG zerobeat,audio "$player"
        echo "user $player joined groups zerobeat and audio; this counts from the next log-in"
    fi
}

do_install() {
    python_is_right
    needs python3-venv libportaudio2
    if ! ldconfig -p | grep -q 'libasound\.so\.2'; then  # its package changed names with Debian 13
        if apt-cache show libasound2t64 >/dev/null 2>&1; then needs libasound2t64; else needs libasound2; fi
    fi
    local folder old
    folder="$(make_version)"
    old="$(readlink "$base/current" 2>/dev/null || true)"
    point_to "$folder"
    put_files
    systemctl daemon-reload
    systemctl -q enable zerobeat.service zerobeat-touchup.path
    if [ -n "$start" ]; then
        systemctl restart zerobeat.service zerobeat-touchup.path ||
            echo "it did not start; ask: journalctl -u zerobeat -n 20; zerobeat doctor" >&2
    fi
    local version
    for version in $(versions); do  # the one in use and the one before stay
        [ "$version" = "$folder" ] || [ "$version" = "$old" ] || rm -rf "$version"
    done
    echo "zerobeat is installed: $("$base/current/bin/zerobeat" --version). Next: edit /etc/zerobeat/rig.yaml,"
    echo "then: zerobeat check /etc/zerobeat/rig.yaml && sudo systemctl reload zerobeat"
}

do_back() {
    local now before
    now="$(readlink "$base/current" 2>/dev/null)" || fail "nothing is installed"
    before="$(versions | grep -vx "$now" | tail -1)"
    [ -n "$before" ] || fail "no version before this one is kept"
    point_to "$before"
    systemctl restart zerobeat.service
    echo "back to $before"
}

do_remove() {
    # shellcheck disable=SC2086  # a list of words
    systemctl -q disable --now $units 2>/dev/null || true
    local unit
    for unit in $units; do rm -f "/etc/systemd/system/$unit"; done
    rm -rf "/etc/systemd/system/zerobeat.service.d"
    rm -f /etc/modules-load.d/zerobeat.conf /etc/sysusers.d/zerobeat.conf
    [ "$(readlink /usr/local/bin/zerobeat)" != "$base/current/bin/zerobeat" ] || rm -f /usr/local/bin/zerobeat
    rm -rf "$base"
    systemctl daemon-reload
    if [ -n "$purge" ]; then
        rm -rf /etc/zerobeat /var/lib/zerobeat
        userdel zerobeat 2>/dev/null || true
        groupdel zerobeat 2>/dev/null || true
        echo "zerobeat is removed, with rig, scenes and profiles"
    else
        echo "zerobeat is removed; /etc/zerobeat and /var/lib/zerobeat (scenes, profiles) are kept; --purge removes them"
    fi
}

arguments "$@"
[ "$(id -u)" = 0 ] || fail "run it as root: sudo $0"
extras="[alsa]"
[ "$act" != install ] || [ -e "$source" ] || fail "$source: is not there"
"do_$act"
