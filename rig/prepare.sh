# Sourced by rig/demo and tests/run: installs what is missing and builds. Not a program of its own.
# shellcheck shell=bash

say() { printf '%s: %s\n' "$(basename "$0")" "$*" >&2; }
die() { say "$1"; exit "${2:-5}"; }

# print_head SCRIPT: the comment at the head of a script, which is its help text.
print_head() { sed -n '2,/^[^#]/{/^#/s/^# \{0,1\}//p}' "$1"; }

# Packages that every build needs, Debian 12 names.
build_packages=(gcc libc6-dev meson ninja-build pkg-config libserialport-dev libgsl-dev libjansson-dev libyaml-dev
    libssl-dev gnuplot-nox)

# install_missing PACKAGE...: install those that are not there yet. Needs root, or sudo without a password.
install_missing() {
    local package missing=() as_root=(env DEBIAN_FRONTEND=noninteractive DEBCONF_NOWARNINGS=yes)
    command -v dpkg-query >/dev/null || die "this script sets up Debian 12; elsewhere install the packages by hand: $*"
    for package in "$@"; do
        [ "$(dpkg-query -W -f '${db:Status-Status}' "$package" 2>/dev/null)" = installed ] || missing+=("$package")
    done
    [ ${#missing[@]} -eq 0 ] && return
    say "installing ${missing[*]}"
    if [ "$(id -u)" -ne 0 ]; then
        sudo -n true 2>/dev/null || die "these packages are missing and need root to install: ${missing[*]}"
        as_root=(sudo -n "${as_root[@]}")
    fi
    "${as_root[@]}" apt-get update -qq >/dev/null || die "apt-get update failed"
    # One more try: a package server may be busy for a moment.
    "${as_root[@]}" apt-get install -y -qq --no-install-recommends "${missing[@]}" >/dev/null ||
        "${as_root[@]}" apt-get install -y --no-install-recommends "${missing[@]}" >&2 ||
        die "could not install ${missing[*]}"
}

# install_modules FROM INTO WHAT: the npm packages that FROM/package-lock.json names, into the folder INTO; once there they need
# no network. WHAT they are, for a message. A machine may have node from elsewhere, which Debian's packages cannot stand beside.
install_modules() {
    local from=$1 into=$2 what=$3 log
    command -v node >/dev/null || install_missing nodejs npm
    if cmp -s "$from/package-lock.json" "$into/package-lock.json" && [ -f "$into/complete" ]; then return; fi
    command -v npm >/dev/null || die "node is there, but npm is not: $what cannot be installed"
    rm -rf "$into"
    mkdir -p "$into"
    cp "$from"/package.json "$from"/package-lock.json "$into"
    log=$(cd "$into" && npm ci --prefer-offline --ignore-scripts --no-audit --no-fund --loglevel=error 2>&1) || {
        printf '%s\n' "$log" >&2
        die "npm could not install $what: is there a network?"
    }
    touch "$into/complete"
}

# configure FOLDER MESON_OPTION...: a build folder with these options; one that Meson no longer accepts is made anew.
configure() {
    local folder=$1 log
    shift
    if [ -f "$folder/build.ninja" ] && meson setup --reconfigure "$folder" "$top" "$@" >/dev/null 2>&1; then
        return
    fi
    rm -rf "$folder"
    log=$(meson setup "$folder" "$top" "$@" 2>&1) || { printf '%s\n' "$log" >&2; die "meson could not configure $folder"; }
}

# compile FOLDER TARGET...: quiet unless it fails.
compile() {
    local folder=$1 log
    shift
    log=$(ninja -C "$folder" "$@" 2>&1) || { printf '%s\n' "$log" | tail -n 60 >&2; die "the build in $folder failed"; }
}

# prepare_programs: the programs as a user has them, optimised as a whole and without sanitizers, and their manual, in
# build/programs.
prepare_programs() {
    configure "$top/build/programs" --buildtype=debugoptimized -Db_lto=true
    compile "$top/build/programs" capture/nipbench-capture analyze/nipbench-analyze rig/simulator/nipbench-rig manual
}
