#!/usr/bin/env bash
# nipbench-capture against a real kernel driver: a Linux guest under QEMU's software emulation with an emulated USB
# serial adapter, behind which is a simulated rig. Sets itself up on a Debian 12 of the architecture amd64.
#
#     tests/guest/run.sh OUT.json [WORK]
#
# OUT.json  where the figures go
# WORK      folder for everything else (default build/guest); the kernel stays there, so that it is fetched once
#
# Exit status: 0 every figure is met, 1 one is not, 2 wrong use, 5 could not set up.
set -euo pipefail
top=$(cd "$(dirname "$0")/../.." && pwd)
. "$top/rig/prepare.sh"
case ${1-} in
--help) print_head "$0"; exit 0 ;;
'' | -*) die "where are the figures to go? see --help" 2 ;;
esac
out=$(realpath -m "$1")
mkdir -p "$(dirname "$out")" "${2:-$top/build/guest}"
work=$(realpath "${2:-$top/build/guest}")
rm -f "$out"
cd "$top"

[ "$(dpkg --print-architecture)" = amd64 ] || die "this test needs an amd64 host, whose programs its guest runs"
# shellcheck disable=SC2154 # build_packages is of prepare.sh
install_missing "${build_packages[@]}" python3 qemu-system-x86 busybox-static cpio kmod
[ -x build/programs/capture/nipbench-capture ] || prepare_programs

# The kernel's package is downloaded and a few of its files are taken out; it is never installed.
kernel_modules=(usb-common usbcore xhci-hcd xhci-pci usbserial ftdi_sio)
kernel_package() {
    apt-cache depends --important linux-image-amd64 | sed -n 's/^ *Depends: \(linux-image-[0-9].*\)/\1/p' | head -n 1
}
fetch_kernel() {
    local name
    name=$(kernel_package)
    [ -n "$name" ] && (cd "$work/new" && apt-get download -qq "$name") >&2
}
unpack_kernel() {
    rm -rf "$work/new" && mkdir -p "$work/new/modules"
    # A list that is older than the server's names a package that is gone.
    if ! fetch_kernel 2>/dev/null; then
        if [ "$(id -u)" -eq 0 ]; then apt-get update -qq; else sudo -n apt-get update -qq; fi >/dev/null ||
            die "apt-get update failed"
        fetch_kernel || die "could not download the kernel's package"
    fi
    say "unpacking $(basename "$work"/new/linux-image-*.deb)"
    dpkg -x "$work"/new/linux-image-*.deb "$work/new/root"
    mv "$work"/new/root/boot/vmlinuz-* "$work/new/vmlinuz"
    local module
    for module in "${kernel_modules[@]}"; do
        find "$work/new/root" -name "$module.ko" -exec cp {} "$work/new/modules/" \;
        [ -f "$work/new/modules/$module.ko" ] || die "the kernel's package holds no $module.ko"
    done
    rm -rf "$work/new/root" "$work"/new/*.deb "$work/kernel"
    mv "$work/new" "$work/kernel"
}
[ -f "$work/kernel/vmlinuz" ] || unpack_kernel

# The guest's whole file system.
make_initrd() {
    local root=$work/root library
    rm -rf "$root"
    mkdir -p "$root"/{bin,dev,modules,proc,sys,tmp,work,lib64}
    cp tests/guest/init "$root/init" && chmod 755 "$root/init"
    cp "$(command -v busybox)" "$root/bin/busybox"
    cp "$work"/kernel/modules/*.ko "$root/modules/"
    cp build/programs/capture/nipbench-capture "$root/bin/"
    gcc -std=c11 -Os -Wall -Wextra -Werror -static -o "$root/bin/port_state" tests/guest/port_state.c
    while read -r library; do
        mkdir -p "$root/$(dirname "$library")"
        cp -L "$library" "$root/$library"
    done < <(ldd build/programs/capture/nipbench-capture | grep -o '/[^ ]*')
    (cd "$root" && find . -print0 | cpio --null --create --format=newc --owner=0:0 --quiet | gzip -1) >"$work/initrd"
    rm -rf "$root"
}
make_initrd
rm -rf "$work"/rig_* "$work"/series "$work"/torn*

# The end of this script ends the test, which ends the guest and the rig.
status=0
timeout --kill-after=20 900 python3 -B tests/guest/check_adapter.py "$work" "$out" &
test=$!
trap 'kill "$test" 2>/dev/null; wait "$test" || true; exit 1' INT TERM HUP
trap 'rm -rf "$work/initrd" "$work"/*.sock "$work/new" "$work/root"' EXIT
wait "$test" || status=$?
exit "$status"
