#!/usr/bin/env bash
# In the guest, as root: a USB MIDI keyboard "Lab Keys" made of dummy_hcd and the kernel's MIDI
# gadget. Its host side is the real USB audio driver, so "unplug" is a real disconnect.
#   usb_keys.sh setup | plug | unplug | play HEX | teardown
set -e
gadget=/sys/kernel/config/usb_gadget/keys
case "$1" in
setup)
    modprobe -a configfs libcomposite dummy_hcd usb_f_midi
    mountpoint -q /sys/kernel/config || mount -t configfs none /sys/kernel/config
    mkdir -p $gadget/strings/0x409 $gadget/functions/midi.0 $gadget/configs/c.1
    cd $gadget
    echo 0x1d6b >idVendor
    echo 0x0104 >idProduct
    echo 0001 >strings/0x409/serialnumber
    echo Lab >strings/0x409/manufacturer
    echo "Lab Keys" >strings/0x409/product
    echo keysend >functions/midi.0/id
    [ -e configs/c.1/midi.0 ] || ln -s functions/midi.0 configs/c.1/
    ;;
plug) basename -a /sys/class/udc/* | head -1 >$gadget/UDC ;;
unplug) echo "" >$gadget/UDC ;;
play) amidi -p hw:keysend -S "$2" ;;
teardown)
    cd /
    rm -f $gadget/configs/c.1/midi.0
    rmdir $gadget/configs/c.1 $gadget/functions/midi.0 $gadget/strings/0x409 $gadget
    ;;
esac
