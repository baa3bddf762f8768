# Runs inside the emulated board with the 40-pin header, after the functions of card.sh: what is as it should be there.
check "the page runs" within 300 systemctl is-active stillwater.service
check "the board's socket is open" systemctl is-active stillwater-board.socket
check "the network is managed" systemctl is-active NetworkManager.service
check "the card's settings were read" systemctl is-active stillwater-card.service
check "no service failed" nothing systemctl --failed --quiet --plain --no-legend
check "the kernel and Stillwater agree on the board's name" says "^Machine *$(tr -d '\0' </proc/device-tree/model)" stillwater pins
check "the header's chip is there" says 'GPIO' stillwater pins
check "the boot partition is read-only" says '^ro' findmnt -n -o OPTIONS /boot/firmware
check "what is changed is kept on the memory card" says '/dev/mmcblk0p3 ext4' findmnt -n -o SOURCE,FSTYPE /run/card/state
check "the code is on the boot partition" within 60 grep -q . /boot/firmware/pairing.txt
exec 3<>/dev/tcp/127.0.0.1/8737
printf 'GET / HTTP/1.0\r\nHost: stillwater.local:8737\r\n\r\n' >&3
check "the page answers" says '<title>Stillwater' head -c 4000 <&3
echo "TRIAL done"
