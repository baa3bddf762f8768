#!/bin/bash
# Runs as a service inside a throw-away system that systemd has booted: installs the package, uses it, removes it.
# Every line "ok NAME" or "FAILED NAME: why" is one finding; "done" is the last one. "MISSING what" is the only line where
# the machine cannot do what the services' units ask for.
export HOME=/root PATH=/usr/sbin:/usr/bin:/sbin:/bin LC_ALL=C.UTF-8 DEBIAN_FRONTEND=noninteractive

if ! why=$(unshare --user true 2>&1); then
  echo "MISSING user namespaces, which a chroot for one has not: $why"
  systemctl --no-block start poweroff.target
  exit
fi

# check NAME COMMAND...: tries the command for half a minute, and for a second once something has failed, for much of the
# rest fails with it.
tries=150
check() {
  local name=$1 out
  shift
  for _ in $(seq $tries); do
    if out=$("$@" 2>&1); then echo "ok $name"; return; fi
    sleep 0.2
  done
  echo "FAILED $name: $* says: ${out//$'\n'/ | }"
  ((tries == 150)) || return 0
  tries=5
  systemctl --no-pager -l status stillwater stillwater-board stillwater-board.socket 2>&1 | sed 's/^/  /'
  journalctl --no-pager -n 40 -u stillwater -u stillwater-board | sed 's/^/  /'
}
is() { [[ $("${@:2}") == "$1" ]] || { "${@:2}"; return 1; }; }
has() { local all; all=$("${@:2}" 2>&1); [[ $all == *"$1"* ]] || { echo "$all"; return 1; }; }
gone() { ! "$@"; }
show() { systemctl show --value -p "$2" "$1"; }
pid() { show "$1" MainPID; }
status() { awk -v key="$2:" '$1 == key { print $2 }' "/proc/$(pid "$1")/status"; }
fetch() {
  exec 3<>/dev/tcp/127.0.0.1/8737 || return 1
  printf 'GET / HTTP/1.1\r\nHost: localhost:8737\r\nConnection: close\r\n\r\n' >&3
  cat <&3
  exec 3>&-
}
serving() { has "serving" show stillwater-board StatusText; }
# another NAME OLD: the service runs, in another process than before.
another() { [[ $(show "$1" ActiveState) == active && $(pid "$1") != "$2" && $(pid "$1") != 0 ]]; }
stop() { systemctl stop stillwater.service stillwater-board.socket stillwater-board.service; }

check "installs" dpkg -i /trial.deb
check "page runs" is active show stillwater ActiveState
check "socket listens" is active show stillwater-board.socket ActiveState
check "page answers" has "Stillwater" fetch
check "pairing says the name" has "stillwater.local:8737" stillwater pairing
check "pairing says the code" has "pairing code" stillwater pairing
check "a new code is made" has "pairing code" stillwater pairing --new
check "phones are forgotten" has "Phones forgotten: 0" stillwater pairing --forget
check "forgetting is for root" has "sudo stillwater pairing" setpriv --reuid=nobody --clear-groups stillwater pairing --forget
check "pairing is for root" has "sudo stillwater pairing" setpriv --reuid=nobody --clear-groups stillwater pairing
check "record is listed" stillwater record list
check "record is the page's user's" is "stillwater:stillwater 600" stat -c '%U:%G %a' /var/lib/stillwater/journal.db
check "socket is the page's user's" is "stillwater:stillwater 600" stat -c '%U:%G %a' /run/stillwater/board.sock
check "page has no capability" is 0000000000000000 status stillwater CapEff
check "page is filtered" is 2 status stillwater Seccomp
check "page gains nothing" is 1 status stillwater NoNewPrivs
touch /dev/trial
check "page sees a /dev of its own" gone nsenter -m -t "$(pid stillwater)" test -e /dev/trial
check "in which there are a few that are nobody's" nsenter -m -t "$(pid stillwater)" test -c /dev/null

# The board on pins that are not there: the same unit with another program, which is this one with its pins virtual.
mkdir -p /etc/systemd/system/stillwater-board.service.d /var/lib/trial
chown stillwater-board /var/lib/trial
# Where root itself may not raise limits, the right to real time comes as a capability instead of through Limit...=.
caps=0000000000000000 raise=
if ! (ulimit -Hr 99 && ulimit -Hl unlimited) 2>/dev/null; then
  caps=0000000000804000 raise="CAP_SYS_NICE CAP_IPC_LOCK"
fi
echo "note: capabilities instead of limits: ${raise:-none}"
cat >/etc/systemd/system/stillwater-board.service.d/trial.conf <<CONF
[Service]
ExecStart=
ExecStart=/trial.program board --config /etc/stillwater/stillwater.toml
Environment=STILLWATER_TEST_RUN=1 STILLWATER_TEST_PINS=/var/lib/trial/pins
ReadWritePaths=/var/lib/trial
CapabilityBoundingSet=$raise
AmbientCapabilities=$raise
CONF
cp /usr/share/stillwater/gpio.toml /etc/stillwater/stillwater.toml
systemctl daemon-reload

stop
systemctl start stillwater
check "order page, board: the page's wish starts the board" serving
stop
systemctl start stillwater-board
check "order board, page: the board waits" has "waiting" show stillwater-board StatusText
systemctl start stillwater
check "order board, page: the board serves" serving
stop
systemctl mask --runtime stillwater-board.socket
systemctl start stillwater
check "without a socket the page runs" has "Stillwater" fetch
systemctl unmask --runtime stillwater-board.socket
systemctl start stillwater-board.socket
check "order page, much later board" serving

board=$(pid stillwater-board)
check "board has real-time priority" has "SCHED_FIFO" chrt -a -p "$board"
check "board has its memory locked" gone is 0 status stillwater-board VmLck
check "board has no capability but those" is "$caps" status stillwater-board CapEff
check "board is filtered" is 2 status stillwater-board Seccomp
check "board is its own user" is "$(id -u stillwater-board)" status stillwater-board Uid
check "board has no network" has "lo" cut -d: -f1 "/proc/$board/net/dev"
check "board has no network but the loop" is 3 grep -c "" "/proc/$board/net/dev"
check "page cannot kill the board" has "not permitted" setpriv --reuid=stillwater --clear-groups bash -c "kill $board"
check "only the page's user opens the socket" gone setpriv --reuid=nobody --clear-groups test -w /run/stillwater/board.sock

kill -KILL "$board"
check "a board that was killed comes back" another stillwater-board "$board"
check "and serves again" serving
board=$(pid stillwater-board)
kill -STOP "$board"
check "a board that hangs is replaced by the watchdog" another stillwater-board "$board"
check "the watchdog was it" has "atchdog timeout" journalctl --no-pager -u stillwater-board
check "and serves once more" serving
page=$(pid stillwater) board=$(pid stillwater-board)
kill -KILL "$page"
check "a page that was killed comes back" another stillwater "$page"
check "and finds the board" serving
page=$(pid stillwater) board=$(pid stillwater-board)
systemctl restart stillwater
check "a restart of the page is one of the board" another stillwater-board "$board"
check "and they find each other" serving

page=$(pid stillwater)
check "installs over itself" dpkg -i /trial.deb
check "and runs anew" another stillwater "$page"
check "and finds the board again" serving
check "what was changed in the configuration stays" grep -q 'kind = "gpio"' /etc/stillwater/stillwater.toml
check "removes" dpkg -r stillwater
check "nothing runs" gone grep -lx stillwater /proc/[0-9]*/comm
check "configuration stays" test -e /etc/stillwater/stillwater.toml
check "purges, and says where the record is" has "The record of your shots stays in /var/lib/stillwater" dpkg -P stillwater
check "record stays" test -s /var/lib/stillwater/journal.db
check "configuration is gone" gone test -e /etc/stillwater
check "the page's user is gone" gone getent passwd stillwater
check "the board's user is gone" gone getent passwd stillwater-board
check "the record is root's alone" is "root:root 700" stat -c '%U:%G %a' /var/lib/stillwater
check "installs on an old record" dpkg -i /trial.deb
check "and has it" has "Stillwater" fetch
check "which is the page's again" is "stillwater:stillwater" stat -c '%U:%G' /var/lib/stillwater/journal.db
echo done
systemctl --no-block start poweroff.target
