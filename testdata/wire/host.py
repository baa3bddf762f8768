#!/usr/bin/env python3
"""A small host of the board protocol, made from firmware/PROTOCOL.md alone.

    host.py examples FOLDER   decodes and encodes the examples beside this file
    host.py talk PORT         has a board on a serial port fire by its beam, by Go and through a gate, and disarms it

It says what it does in lines of JSON, and ends with status 1 at the first thing that is not as the document has it.
Whoever runs "talk" breaks the beam after the lines "armed", "armed again" and "through the gate", the gate's beam after
the line "armed for a throw", and frees both after the lines "shot".
"""
import array
import fcntl
import json
import os
import select
import struct
import sys
import termios
import time

VERSION = 2
NO_INPUT = 255
PATIENCE = 0.5  # seconds for an answer to the first identify, doubled each time
TRIES = 6  # to have an introduction
LATE = 10  # seconds that a start may be behind: a simulated board may stand still for a while
PONGS = 80  # answered pings after which what did not come is missing

# Section 4. Fields are in struct's letters: B u8, H u16, I u32; n a name, d the rest.
HOST = {
    0x01: ("identify", ""),
    0x02: ("ping", "token I"),
    0x03: ("load", "offset H, data d"),
    0x04: ("commit", "length H, crc H"),
    0x05: ("arm", "shots H"),
    0x06: ("disarm", ""),
    0x07: ("go", ""),
    0x08: ("pulse", "output B, width I"),
    0x09: ("set level", "input B, threshold H"),
}
BOARD = {
    0x81: ("identity", "version B, reset B, boot_id I, tick_hz I, lead I, edge_lead I, gate_lead I, safe_within I, "
           "inputs B, outputs B, table B, cues B, firmware n"),
    0x82: ("input", "index B, kind B, active_high B, name n"),
    0x83: ("output", "index B, kind B, max_on I, name n"),
    0x84: ("pong", "token I, now I"),
    0x85: ("ack", "seq B, type B"),
    0x86: ("refused", "seq B, type B, reason B, detail I"),
    0x87: ("edge", "input B, high B, count H, at I"),
    0x88: ("shot", "number H, status B, cues B, gate_at I, clock_at I, delay I, bounced H"),
    0x89: ("cue", "shot H, index B, output B, opening B, planned I, on I, off I"),
    0x8A: ("rejected", "reason B, input B, count H, at I, interval I"),
    0x8B: ("fault", "reason B, detail I, at I"),
    0x8C: ("state", "state B, reason B, left H, inputs B, outputs B, now I, bounced H, lost H"),
    0x8D: ("level", "input B, value H, at I"),
    0x8E: ("lost", "input B, count I, at I"),
}
TYPES = {name: number for number, (name, _) in (HOST | BOARD).items()}

# Section 5, as far as this host looks at them.
BEAM, MICROPHONE, KILL = 0, 1, 3
FLASH = 2
SAFE, ARMED, FIRING, RESTING, FAULTED = range(5)
DONE = 0
REQUESTED, SHOTS_DONE, NOT_ARMED, IS_ARMED, NOT_OPENED = 1, 2, 7, 8, 18


class Problem(Exception):
    """Something is not as the document has it."""


def expect(condition, what):
    if not condition:
        raise Problem(what)


def say(what, **more):
    print(json.dumps({"what": what, **more}), flush=True)


# Section 2: frames.

def crc16(data):
    crc = 0xFFFF
    for byte in data:
        x = (crc >> 8) ^ byte
        x ^= x >> 4
        crc = ((crc << 8) ^ (x << 12) ^ (x << 5) ^ x) & 0xFFFF
    return crc


def stuff(body):
    out = b""
    for piece in body.split(b"\0"):
        out += bytes([len(piece) + 1]) + piece
    return out


def unstuff(code):
    pieces, at = [], 0
    while at < len(code):
        end = at + code[at]
        if end > len(code):
            return None
        pieces.append(code[at + 1:end])
        at = end
    return b"\0".join(pieces)


def frame(number, seq, payload):
    body = bytes([number, seq]) + payload
    return stuff(body + struct.pack("<H", crc16(body))) + b"\0"


class Receiver:
    """Finds frames in a stream of bytes."""

    def __init__(self):
        self.code, self.bad = b"", 0

    def take(self, data):
        frames = []
        for byte in data:
            if byte:
                self.code = (self.code + bytes([byte]))[:66]  # one more than the longest
                continue
            if self.code:
                body = unstuff(self.code) if len(self.code) <= 65 else None
                if body and len(body) >= 4 and struct.unpack("<H", body[-2:])[0] == crc16(body[:-2]):
                    frames.append((body[0], body[1], body[2:-2]))
                else:
                    self.bad += 1
            self.code = b""
        return frames


# Section 4: messages.

def fields_of(number):
    listed = (HOST | BOARD)[number][1]
    return [field.split(" ") for field in listed.split(", ") if field]


def encode(name, /, **values):
    payload = b""
    for field, kind in fields_of(TYPES[name]):
        value = values[field]
        if kind == "n":
            payload += value.encode("ascii").ljust(16, b"\0")
        elif kind == "d":
            payload += value
        else:
            payload += struct.pack("<" + kind, value)
    return payload


def decode(number, payload):
    expect(number in HOST | BOARD, "message of an unknown type 0x%02x" % number)
    values, at = {}, 0
    for field, kind in fields_of(number):
        size = {"n": 16, "d": len(payload) - at}.get(kind) or struct.calcsize("<" + kind)
        expect(at + size <= len(payload), "%s is too short" % (HOST | BOARD)[number][0])
        raw = payload[at:at + size]
        values[field] = {"n": lambda: raw.rstrip(b"\0").decode("ascii"), "d": lambda: raw}.get(
            kind, lambda: struct.unpack("<" + kind, raw)[0])()
        at += size
    expect(at == len(payload), "%s is too long" % (HOST | BOARD)[number][0])
    return (HOST | BOARD)[number][0], values


def ticks_between(a, b):
    """a - b, by the sign of the 32-bit difference."""
    return (a - b + 2**31) % 2**32 - 2**31


# Section 6: a program with one delay and one cue.

def program(clock, falling, delay, output, width, hold_off, late, rest):
    head = struct.pack("<8B5I", 1, clock, 1 if falling else 0, 1, NO_INPUT, 1, 1, 0, 0, 0, hold_off, late, rest)
    return head + struct.pack("<II", 0, delay) + struct.pack("<BiI", output, 0, width)


def gated_program(clock, gate, falling, points, output, width, hold_off, late, rest):
    """falling: of clock and gate; points: intervals and their delays."""
    flags = falling[0] + 2 * falling[1]
    gate_min, gate_max = points[0][0], points[-1][0]
    head = struct.pack("<8B5I", 1, clock, flags, 1, gate, len(points), 1, 0, gate_min, gate_max, hold_off, late, rest)
    return head + b"".join(struct.pack("<II", *p) for p in points) + struct.pack("<BiI", output, 0, width)


def table_delay(points, interval):
    """The delay that the table has for an interval, as section 8 has it."""
    (i0, d0), (i1, d1) = next((a, b) for a, b in zip(points, points[1:]) if interval <= b[0])
    part = abs(d1 - d0) * (interval - i0) // (i1 - i0)
    return d0 + part if d1 >= d0 else d0 - part


# Section 16: the serial line.

def open_port(path):
    fd = os.open(path, os.O_RDWR | os.O_NOCTTY)
    iflag, oflag, cflag, lflag, _, _, cc = termios.tcgetattr(fd)
    cflag = termios.CS8 | termios.CREAD | termios.CLOCAL
    cc[termios.VMIN], cc[termios.VTIME] = 1, 0
    termios.tcsetattr(fd, termios.TCSANOW, [0, 0, cflag, 0, termios.B38400, termios.B38400, cc])
    # Linux: struct termios2 has the rates as numbers at its end; CBAUD is 0o10017, BOTHER 0o10000.
    tcgets2, tcsets2 = 0x802C542A, 0x402C542B
    mode = array.array("B", bytes(44))
    fcntl.ioctl(fd, tcgets2, mode, True)
    flags = struct.unpack_from("<I", mode, 8)[0]
    struct.pack_into("<I", mode, 8, flags & ~0o10017 | 0o10000)
    struct.pack_into("<II", mode, 36, 250000, 250000)
    fcntl.ioctl(fd, tcsets2, mode)
    return fd


class Host:
    def __init__(self, fd):
        self.fd, self.receiver = fd, Receiver()
        self.seq = self.pings = self.pongs = 0
        self.heard_seq = None
        self.next_ping = time.monotonic()
        self.inbox = []
        self.kinds = set()  # of messages heard

    def send(self, name, /, **values):
        self.seq = (self.seq + 1) % 256
        os.write(self.fd, frame(TYPES[name], self.seq, encode(name, **values)))
        return self.seq

    def listen(self, until=float("inf")):
        """Takes what comes, until a time if there is one, and pings each 250 ms."""
        now = time.monotonic()
        if now >= self.next_ping and self.pings:
            self.send("ping", token=self.pings)
            self.pings += 1
            self.next_ping = now + 0.25
        ready, _, _ = select.select([self.fd], [], [], max(0, min(until, self.next_ping) - now))
        if not ready:
            return
        for number, seq, payload in self.receiver.take(os.read(self.fd, 4096)):
            name, values = decode(number, payload)
            if self.heard_seq is not None and name != "identity":
                expect(seq == (self.heard_seq + 1) % 256, "messages before %s were lost" % name)
            self.heard_seq = seq
            self.kinds.add(name)
            self.pongs += name == "pong"
            self.inbox.append((name, values))

    def wait_for(self, found, what):
        """Listens until found() has something. It is missing when many pings were answered meanwhile."""
        pongs = self.pongs
        while True:
            got = found()
            if got is not None:
                return got
            expect(self.pongs - pongs < PONGS, "no %s came, but %s" % (what, self.inbox))
            self.listen()

    def pause(self, ticks):
        """Lets time of the board's pass."""
        begun = self.wait_for_pong()
        while ticks_between(self.wait_for_pong(), begun) < ticks:
            pass

    def wait_for_pong(self):
        self.forget("pong")
        return self.await_message("pong")["now"]

    def await_message(self, name, /, **wanted):
        """Takes the first message of that name with those values out of what was heard."""
        def found():
            for at, (n, values) in enumerate(self.inbox):
                if n == name and all(values[k] == v for k, v in wanted.items()):
                    del self.inbox[at]
                    return values
            return None
        return self.wait_for(found, "%s %s" % (name, wanted or ""))

    def forget(self, name):
        """Drops the messages of that name that were heard and not taken."""
        self.inbox = [(n, values) for n, values in self.inbox if n != name]

    def request(self, name, /, **values):
        """Sends a request and waits for its answer: None, or what it was refused for."""
        seq = self.send(name, **values)

        def found():
            for at, (n, answer) in enumerate(self.inbox):
                if n in ("ack", "refused") and answer["seq"] == seq:
                    del self.inbox[at]
                    return n, answer
            return None
        kind, answer = self.wait_for(found, "answer to " + name)
        expect(answer["type"] == TYPES[name], "the answer to %s is one to another type" % name)
        return answer if kind == "refused" else None

    def do(self, name, /, **values):
        refused = self.request(name, **values)
        expect(refused is None, "%s was refused: %s" % (name, refused))

    # Section 13, 1.
    def identify(self):
        for attempt in range(TRIES):
            os.write(self.fd, b"\0")
            self.inbox, self.heard_seq = [], None
            seq, again = self.send("identify"), time.monotonic() + PATIENCE * 2**attempt
            while time.monotonic() < again:
                self.listen(again)
                if any(n == "ack" and v["seq"] == seq for n, v in self.inbox):
                    return self.introduction()
        raise Problem("it did not say what it is, asked %d times" % TRIES)

    def introduction(self):
        identity = [v for n, v in self.inbox if n == "identity"][-1]
        expect(identity["version"] == VERSION, "it speaks version %d" % identity["version"])
        expect(0 < identity["lead"] <= identity["edge_lead"] <= identity["gate_lead"], "leads: %s" % identity)
        inputs = {v["index"]: v for n, v in self.inbox if n == "input"}
        outputs = {v["index"]: v for n, v in self.inbox if n == "output"}
        expect(sorted(inputs) == list(range(identity["inputs"])), "inputs: %s" % sorted(inputs))
        expect(sorted(outputs) == list(range(identity["outputs"])), "outputs: %s" % sorted(outputs))
        self.pings = 1
        state = self.await_message("state")
        self.inbox = []
        return identity, inputs, outputs, state

    def load(self, data):
        for at in range(0, len(data), 56):
            self.do("load", offset=at, data=data[at:at + 56])
        self.do("commit", length=len(data), crc=crc16(data))


def first_of(pins, kind, name):
    """The first pin of a kind, one of that name before others."""
    return min((p for p in pins.values() if p["kind"] == kind), key=lambda p: (p["name"] != name, p["index"]))


def check_shot(host, beam, delay, width):
    """Takes the reports of one shot that an edge of the beam begins."""
    edge = host.await_message("edge", input=beam["index"], high=beam["active_high"])
    expect(host.await_message("state")["state"] == FIRING, "the edge fires")
    shot = report_of_shot(host, lambda _: delay, width)
    expect(shot["clock_at"] == edge["at"] == shot["gate_at"], "it counts from the edge's stamp: %s %s" % (shot, edge))


def check_small_requests(host, hz, inputs, flash):
    """A test pulse, a threshold, and what is refused."""
    host.do("pulse", output=flash["index"], width=hz // 1000)
    cue = host.await_message("cue")
    expect(cue["shot"] == 0 and ticks_between(cue["off"], cue["on"]) >= hz // 1000, "test pulse: %s" % cue)
    analog = [i for i in inputs.values() if i["kind"] == MICROPHONE]
    if analog and host.request("set level", input=analog[0]["index"], threshold=120) is None:
        level = host.await_message("level", input=analog[0]["index"])
        say("level", value=level["value"])
    refused = host.request("go")
    expect(refused and refused["reason"] == NOT_ARMED, "go while safe: %s" % refused)


def report_of_shot(host, planned_after, width):
    """Takes a shot and its only cue, which starts a time after the clock's stamp, and says so."""
    shot = host.await_message("shot")
    cue = host.await_message("cue", shot=shot["number"])
    expect(shot["status"] == DONE and shot["cues"] == 1, "shot: %s" % shot)
    expect(shot["delay"] == planned_after(shot), "delay: %s, not %d" % (shot, planned_after(shot)))
    expect(cue["planned"] == (shot["clock_at"] + shot["delay"]) % 2**32, "the moment: %s %s" % (shot, cue))
    expect(ticks_between(cue["on"], cue["planned"]) >= 0, "early: %s" % cue)
    expect(ticks_between(cue["off"], cue["on"]) >= width, "shorter than its width: %s" % cue)
    say("shot", number=shot["number"], output=cue["output"], delay=shot["delay"])
    return shot


def shot_by_go(host, identity, flash, width):
    """A program without a clock: Go starts it, and it counts from lead after that."""
    hz = identity["tick_hz"]
    host.load(program(clock=NO_INPUT, falling=False, delay=0, output=flash["index"], width=width, hold_off=0,
                      late=LATE * hz, rest=hz // 100))
    host.do("arm", shots=1)
    host.await_message("state", state=ARMED, reason=NOT_OPENED)
    before = host.wait_for_pong()
    host.do("go")
    host.await_message("state", state=FIRING)
    shot = report_of_shot(host, lambda _: 0, width)
    expect(ticks_between(shot["clock_at"], before) >= identity["lead"], "Go counts from lead after it: %s" % shot)
    host.await_message("state", state=SAFE, reason=SHOTS_DONE)
    say("go")


def shot_through_gate(host, identity, inputs, beam, flash, width):
    """Two beams: the delay is the table's for the interval between them, and no less than the announced gate lead."""
    hz = identity["tick_hz"]
    gate = min((i for i in inputs.values() if i["kind"] == BEAM and i != beam),
               key=lambda i: (i["name"] != "gate", i["index"]))
    lead = identity["gate_lead"] + hz // 50
    points = [(1, lead), (hz, lead + hz // 10), (20 * hz, lead)]
    host.load(gated_program(clock=beam["index"], gate=gate["index"],
                            falling=(1 - beam["active_high"], 1 - gate["active_high"]), points=points,
                            output=flash["index"], width=width, hold_off=hz // 100, late=LATE * hz, rest=hz // 100))
    host.pause(hz // 10)
    host.forget("edge")
    host.do("arm", shots=1)
    host.await_message("state", state=ARMED)
    say("armed for a throw")
    first = host.await_message("edge", input=gate["index"], high=gate["active_high"])
    say("through the gate")
    host.await_message("state", state=FIRING)
    shot = report_of_shot(host, lambda s: table_delay(points, ticks_between(s["clock_at"], s["gate_at"])), width)
    expect(shot["gate_at"] == first["at"], "it counts from the gate's stamp: %s %s" % (shot, first))
    host.await_message("state", state=SAFE, reason=SHOTS_DONE)


def talk(path):
    host = Host(open_port(path))
    identity, inputs, outputs, state = host.identify()
    hz = identity["tick_hz"]
    beam, flash = first_of(inputs, BEAM, "beam"), first_of(outputs, FLASH, "flash")
    kills = [i for i in inputs.values() if i["kind"] == KILL]
    stopped = any((state["inputs"] >> k["index"] & 1) == k["active_high"] for k in kills)
    say("identity", firmware=identity["firmware"], tick_hz=hz, state=state["state"], stopped=stopped,
        active={i["name"]: i["active_high"] for i in inputs.values()}, beam=beam["name"], flash=flash["name"])
    expect(not stopped and state["state"] == SAFE, "it is not safe: %s" % state)
    check_small_requests(host, hz, inputs, flash)
    width = hz // 500
    delay = identity["edge_lead"] + hz // 50
    host.load(program(clock=beam["index"], falling=not beam["active_high"], delay=delay, output=flash["index"],
                      width=width, hold_off=hz // 100, late=LATE * hz, rest=hz // 100))
    host.do("arm", shots=2)
    host.await_message("state", state=ARMED)
    host.forget("state")  # a board that was asked twice what it is has answered the second time since
    expect(host.request("arm", shots=1)["reason"] == IS_ARMED, "armed already")
    say("armed")
    check_shot(host, beam, delay, width)
    expect(host.await_message("state")["state"] == RESTING, "it rests")
    state = host.await_message("state")
    expect(state["state"] == ARMED and state["left"] == 1, "after the rest: %s" % state)
    host.await_message("edge", input=beam["index"], high=1 - beam["active_high"])
    host.pause(hz // 10)  # section 11: what comes sooner is reported together with it
    say("armed again")
    check_shot(host, beam, delay, width)
    host.await_message("state", state=SAFE, reason=SHOTS_DONE)
    shot_by_go(host, identity, flash, width)
    shot_through_gate(host, identity, inputs, beam, flash, width)
    host.do("arm", shots=1)
    host.do("disarm")
    host.await_message("state", state=SAFE, reason=REQUESTED)
    host.await_message("pong")
    say("disarmed", heard=sorted(host.kinds), bad=host.receiver.bad)


# Section 14: the examples.

def records(path):
    found, current = [], None
    with open(path, encoding="ascii") as lines:
        for line in map(str.strip, lines):
            if not line:
                current = None
            elif line.startswith("#"):
                continue
            elif current is None:
                current = (line, {})
                found.append(current)
            else:
                key, _, value = line.partition(" ")
                current[1].setdefault(key, []).append(value)
    return found


def joined(values):
    return bytes.fromhex("".join(values))


def check_message(what, lines):
    wire = joined(lines["wire"])
    receiver = Receiver()
    (number, seq, payload), = receiver.take(wire)
    got, values = decode(number, payload)
    expect(what == "message " + got, "%s is taken for %s" % (what, got))
    expect(seq == int(lines["frame_seq"][0]), "%s: seq %d" % (what, seq))
    for field, value in values.items():
        listed = lines[field.replace("_", "")]
        same = value == joined(listed) if isinstance(value, bytes) else str(value) == listed[0]
        expect(same, "%s: %s is %r" % (what, field, value))
    expect(frame(number, seq, encode(got, **values)) == wire, "%s is encoded otherwise" % what)
    return got


def examples(folder):
    seen = set()
    for file in "host.hex", "board.hex":
        for what, lines in records(os.path.join(folder, file)):
            seen.add(check_message(what, lines))
    expect(seen == set(TYPES), "no example of %s" % sorted(set(TYPES) - seen))
    streams = records(os.path.join(folder, "stream.hex"))
    for what, lines in streams:
        receiver = Receiver()
        frames = receiver.take(joined(lines["wire"]))
        expect((len(frames), receiver.bad) == (int(lines["frames"][0]), int(lines["bad"][0])),
               "stream %s: %d frames, %d bad" % (lines["wire"], len(frames), receiver.bad))
    programs = records(os.path.join(folder, "program.hex"))
    for what, lines in programs:
        expect(crc16(joined(lines["bytes"])) == int(lines["crc"][0]), "CRC of a program: %s" % lines)
    say("examples", messages=len(seen), streams=len(streams), programs=len(programs))


def main():
    try:
        {"examples": examples, "talk": talk}[sys.argv[1]](sys.argv[2])
    except Problem as p:
        say("problem", why=str(p))
        sys.exit(1)


if __name__ == "__main__":
    main()
