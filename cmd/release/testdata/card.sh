# Runs inside the emulated card, as root, when it has started: what is as it should be, one finding a line.
card=/usr/lib/stillwater-card/card
answer=$(mktemp)

check() {
  local what=$1
  shift
  if "$@" >"$answer" 2>&1; then
    echo "TRIAL ok $what"
  else
    echo "TRIAL FAILED $what: $(tail -n 5 "$answer" | tr '\n' ' ')"
  fi
}

# within SECONDS COMMAND waits until the command succeeds.
within() {
  local end=$((SECONDS + $1))
  shift
  until "$@"; do
    [ $SECONDS -lt $end ] || return 1
    sleep 1
  done
}

nothing() {
  local found
  found=$("$@")
  echo "$found"
  [ -z "$found" ]
}
says() {
  local what=$1
  shift
  "$@" | grep -q -- "$what"
}
not() { ! "$@"; }

check "the page runs" within 120 systemctl is-active stillwater.service
check "the board's socket is open" systemctl is-active stillwater-board.socket
check "the network is managed" systemctl is-active NetworkManager.service
check "the card's settings were read" systemctl is-active stillwater-card.service
check "the screen has its service" within 60 systemctl is-active stillwater-card-screen.service
check "no service failed" nothing systemctl --failed --quiet --plain --no-legend
check "remote login is off" not systemctl is-active ssh.service ssh.socket
check "nobody listens but the page, the name service and DHCP" nothing sh -c \
  "ss -Hlntu | awk '{ print \$5 }' | grep -vE ':(8737|5353|53|67|68|546)$' | grep -v '^127\.\|^\[::1\]'"
check "no account has a password" nothing awk -F: '$2 !~ /^[!*]/ { print $1 }' /etc/shadow
check "the system is laid over a read-only one" says overlay findmnt -n -o FSTYPE /
check "the read-only one is there" says 'squashfs.*ro' findmnt -n -o FSTYPE,OPTIONS /run/card/system
check "what is changed is kept on a journalled file system" says ext4 findmnt -n -o FSTYPE /run/card/state
check "only root changes the system's folder" test "$(stat -c '%a %U' / /run/card/system | sort -u)" = "755 root"
check "the boot partition is read-only" says '^ro' findmnt -n -o OPTIONS /boot/firmware
check "the machine's messages are in memory" test ! -d /var/log/journal
check "the machine has an identity of its own" grep -qE '^[0-9a-f]{32}$' /etc/machine-id
check "the manual can be read" says 'fire camera and flash' man stillwater
check "and that of the configuration" says 'configuration of stillwater' man stillwater.toml
check "a keyboard's layout can be chosen" loadkeys de
check "and is the keyboard's then" says 'keycode  *21 = +\{0,1\}z' dumpkeys
check "a console asks for no password" says autologin systemctl cat getty@tty2.service
check "the firmware is in the program" says avrdude stillwater flash --dry-run --port /dev/ttyUSB0

code=$(stillwater pairing --json | sed -n 's/.*"code":"\([^"]*\)".*/\1/p')
echo "TRIAL note code $code"
check "the code is on the screen" within 60 says "pairing code *$code" cat /dev/vcs1
check "the code is on the partition that a computer reads" within 60 grep -q "pairing code   $code" /boot/firmware/pairing.txt
own=/etc/NetworkManager/system-connections/stillwater-hotspot.nmconnection
password=$(sed -n 's/^psk=//p' $own)
check "so is the password of its own network" grep -q "password  *$password" /boot/firmware/pairing.txt
check "which is a long one" test ${#password} -eq 14
check "and nobody else can read it" test "$(stat -c %a $own)" = 600

# A radio that the kernel emulates, and a second one in a room of its own, as a phone would have it.
modprobe mac80211_hwsim radios=2
within 20 test -e /sys/class/net/wlan1
nmcli device set wlan1 managed no
ip netns add phone
iw phy "$(cat /sys/class/net/wlan1/phy80211/name)" set netns name phone
check "no country is set: the radio keeps to what is allowed everywhere" says 'country 00' iw reg get
check "its own network starts by itself" within 90 says '^wlan0:connected:stillwater-hotspot' \
  nmcli -t -f DEVICE,STATE,CONNECTION device
check "it has the address that is written down" within 30 says '10\.42\.0\.1/24' ip -4 -o address show dev wlan0
check "it gives phones theirs" within 20 says ':67 ' ss -Hlun
printf 'network={\nssid="Stillwater"\npsk="%s"\n}\n' "$password" >/run/phone.conf
ip netns exec phone wpa_supplicant -B -P /run/phone.pid -D nl80211 -i wlan1 -c /run/phone.conf >/dev/null
# Before the password is compared a phone is connected already; it is authorized afterwards.
check "a phone joins it with the password" within 60 says 'authorized:[[:space:]]*yes' \
  ip netns exec phone iw dev wlan1 station dump
ip netns exec phone ip address add 10.42.0.99/24 dev wlan1
fetch() {
  ip netns exec phone bash -c 'exec 3<>/dev/tcp/10.42.0.1/8737 &&
    printf "GET / HTTP/1.1\r\nHost: stillwater.local:8737\r\nConnection: close\r\n\r\n" >&3 && cat <&3'
}
check "and reaches the page" says '<title>Stillwater' fetch
kill "$(cat /run/phone.pid)"
within 30 not says '^Connected' ip netns exec phone iw dev wlan1 link
within 30 not test -e /run/phone.pid
sed -i 's/psk=".*"/psk="not-the-password"/' /run/phone.conf
ip netns exec phone wpa_supplicant -B -P /run/phone.pid -D nl80211 -i wlan1 -c /run/phone.conf >/dev/null
check "with another password it is heard" within 60 says '^Connected' ip netns exec phone iw dev wlan1 link
check "but does not join" not within 30 says 'authorized:[[:space:]]*yes' ip netns exec phone iw dev wlan1 station dump
check "and does not reach the page" not timeout 30 bash -c "$(declare -f fetch); fetch"

echo DE >/var/lib/stillwater/country
check "a country that was chosen is the radio's" within 60 says 'country DE' iw reg get

# A network that settings.txt names, of the second radio now: it comes before the card's own where it is in reach.
kill "$(cat /run/phone.pid)"
within 30 not test -e /run/phone.pid
printf 'network={\nssid="Studio"\nmode=2\nfrequency=2437\nkey_mgmt=WPA-PSK\nproto=RSN\npairwise=CCMP\npsk="%s"\n}\n' "$password" >/run/studio.conf
studio() {
  ip netns exec phone wpa_supplicant -B -P /run/studio.pid -D nl80211 -i wlan1 -c /run/studio.conf
  ip netns exec phone dnsmasq --no-resolv --port=0 --interface=wlan1 --dhcp-range=10.42.0.50,10.42.0.60 --dhcp-leasefile=/run/leases \
    --pid-file=/run/dhcp.pid
}
starts() { # what a start does about networks
  systemctl stop NetworkManager wpa_supplicant
  ip link set wlan0 down
  systemctl restart stillwater-card
  systemctl start NetworkManager
}
studio >/dev/null
mount -o remount,rw /boot/firmware
printf 'network = Studio\r\npassword = %s\r\n' "$password" >>/boot/firmware/settings.txt
starts
check "it joins a network of settings.txt that is in reach" within 90 says '^wlan0:connected:studio' \
  nmcli -t -f DEVICE,STATE,CONNECTION device
check "and has an address there" within 30 says '10\.42\.0\.[56]' ip -4 -o address show dev wlan0
kill "$(cat /run/studio.pid)" "$(cat /run/dhcp.pid)"
starts
check "where it is not, its own network starts" within 120 says '^wlan0:connected:stillwater-hotspot' \
  nmcli -t -f DEVICE,STATE,CONNECTION device

written() { cat /sys/fs/ext4/*/session_write_kbytes; }
before=$(written)
sleep 60
echo "TRIAL note $before kB were written to what is kept since the start, $(($(written) - before)) kB in a minute of rest"
echo "TRIAL note $(findmnt -n -o SIZE,USED /run/card/state | tr -s ' ') of the partition that is kept, memory: $(grep -E '^Mem(Total|Available)' /proc/meminfo | tr -s ' ' | tr '\n' ' ')"
echo "TRIAL done"
