"""Makes air.pcap: invented 802.11 frames behind radiotap headers (link type 127).

Written from the published layouts (radiotap.org, IEEE 802.11-2016, RFC 1042, RFC 3550, the MAVLink
message set) with nothing but Python's standard library. air.tsv is what a packet tool reads in it:

  python3 make.py
  tshark -r air.pcap -o wlan.check_checksum:TRUE -T fields -e frame.number -e wlan.ta -e wlan.ra \
    -e wlan.fc.type -e wlan.fc.retry -e wlan.seq -e wlan.qos.tid -e radiotap.dbm_antsignal \
    -e radiotap.dbm_antnoise -e radiotap.antenna -e wlan_radio.data_rate -e radiotap.flags.badfcs \
    -e udp.dstport -e wlan.fcs.status > air.tsv
"""

import random
import struct
import zlib

rng = random.Random(20260504)
out = bytearray(struct.pack("<IHHIIII", 0xA1B23C4D, 2, 4, 0, 0, 65535, 127))

VIDEO, HANDSET, VEHICLE, TOWN, HOUSE = (bytes([2, 0, 0, 0, 0, n]) for n in (1, 2, 3, 0x21, 0x22))


def radiotap(groups, vendor=b"", flags=0x10):
    """groups: for each, a list of (bit, alignment, bytes)."""
    words, fields = [], []
    for place, group in enumerate(groups):
        word = 0
        for bit, align, value in group:
            word |= 1 << bit
            fields.append((align, value))
        more = place + 1 < len(groups)
        if vendor and place == 0:
            word |= 1 << 30
            fields.append((2, b"\x02\x00\x5e\x00" + struct.pack("<H", len(vendor)) + vendor))
            # The vendor's own word, which ends its fields and begins the standard ones anew.
            words.append(word | 1 << 31)
            word = 0
            more_word = (1 << 29) | (1 << 31)
            words.append(more_word if more else 0)
            continue
        if more:
            word |= (1 << 29) | (1 << 31)
        words.append(word)
    head = 4 + 4 * len(words)
    body = bytearray()
    for align, value in fields:
        while (head + len(body)) % align:
            body.append(0)
        body += value
    return struct.pack("<BBH", 0, 0, head + len(body)) + b"".join(struct.pack("<I", w) for w in words) + bytes(body)


def write(at, packet):
    seconds, nanos = divmod(int(round(at * 1e9)), 10**9)
    out.extend(struct.pack("<IIII", 1_777_900_000 + seconds, nanos, len(packet), len(packet)) + packet)


def checked(frame, damaged=False):
    check = zlib.crc32(frame) ^ (0x5A5A5A5A if damaged else 0)
    return frame + struct.pack("<I", check)


def data(to, source, number, body, retry=False, tid=None, protected=False):
    flags = 0x02 | (0x08 if retry else 0) | (0x40 if protected else 0)
    control = bytes([0x88 if tid is not None else 0x08, flags])
    frame = control + b"\x2c\x00" + to + source + source + struct.pack("<H", (number % 4096) << 4)
    return frame + (bytes([tid, 0]) if tid is not None else b"") + body


def udp(payload, port):
    segment = struct.pack(">HHHH", 40000, port, 8 + len(payload), 0) + payload
    head = struct.pack(">BBHHHBBH", 0x45, 0, 20 + len(segment), 0, 0, 64, 17, 0) + bytes([10, 0, 0, 1, 10, 0, 0, 2])
    total = sum(struct.unpack(">10H", head))
    total = (total & 0xFFFF) + (total >> 16)
    total = (total & 0xFFFF) + (total >> 16)
    return b"\xaa\xaa\x03\x00\x00\x00\x08\x00" + head[:10] + struct.pack(">H", ~total & 0xFFFF) + head[12:] + segment


def rtp(number):
    marker = 0x80 if number % 2 else 0
    return struct.pack(">BBHII", 0x80, marker | 96, number, number // 2 * 3000, 0x0F00D001) + bytes([65] + [number % 251] * 40)


def heartbeat(sequence):
    """MAVLink 2, HEARTBEAT of a vehicle."""
    payload = struct.pack("<IBBBBB", 0, 2, 0, 0, 4, 3)
    head = bytes([len(payload), 0, 0, sequence % 256, 1, 1, 0, 0, 0])
    crc = 0xFFFF
    for byte in head + payload + bytes([50]):
        tmp = (byte ^ crc) & 0xFF
        tmp = (tmp ^ tmp << 4) & 0xFF
        crc = (crc >> 8 ^ tmp << 8 ^ tmp << 3 ^ tmp >> 4) & 0xFFFF
    return b"\xfd" + head + payload + struct.pack("<H", crc)


def dbm(value):
    return struct.pack("b", max(-128, min(127, round(value))))


events = []
# The video: 20 packets a second for 30 s, its level falling from -52 to -82 dBm; two antennas.
late = []
for n in range(600):
    at = n * 0.05
    level = -52 - at + rng.gauss(0, 1.0)
    tries = 1 + (rng.random() < 0.15) + (rng.random() < 0.05)
    heard = [rng.random() > (0.02 if at < 20 else 0.10) for _ in range(tries)]
    if n in (100, 333):
        heard = [True]
    for number, good in enumerate(heard):
        if not good:
            continue
        frame = checked(data(HANDSET, VIDEO, 3900 + n, udp(rtp(n), 5004), retry=number > 0, tid=5))
        first, second = level - 1, level - 6
        head = radiotap([
            [(0, 8, struct.pack("<Q", int(at * 1e6))), (1, 1, b"\x10"), (3, 2, struct.pack("<HH", 5825, 0x0140)),
             (5, 1, dbm(level)), (6, 1, dbm(-95)), (19, 1, bytes([7, 4, 5]))],
            [(5, 1, dbm(first)), (11, 1, b"\x00")],
            [(5, 1, dbm(second)), (11, 1, b"\x01")],
        ])
        # Two numbers come late, after the three that follow them.
        when = at + 0.17 if n in (100, 333) else at
        events.append((when + 0.001 * number, head + frame))
# Telemetry without IP: MAVLink in the frame's body, 10 a second.
for n in range(300):
    if n % 50 != 17:
        frame = checked(data(HANDSET, VEHICLE, n, heartbeat(n)))
        head = radiotap([[(1, 1, b"\x10"), (2, 1, bytes([12])), (5, 1, dbm(-63 + rng.gauss(0, 2))), (11, 1, b"\x00")]])
        events.append((n * 0.1 + 0.013, head + frame))
# The town: beacons (with a vendor's fields before their own), encrypted data, acknowledgements, damage.
for n in range(290):
    beacon = b"\x80\x00\x00\x00" + b"\xff" * 6 + TOWN + TOWN + struct.pack("<H", n << 4) + bytes(12) + b"\x00\x04town"
    head = radiotap([[(1, 1, b"\x10"), (2, 1, bytes([2])), (5, 1, dbm(-88))], []], vendor=b"\x01\x02\x03")
    events.append((n * 0.1024, head + checked(beacon)))
for n in range(100):
    frame = checked(data(TOWN, HOUSE, n, bytes(rng.randrange(256) for _ in range(60)), tid=0, protected=True))
    head = radiotap([[(1, 1, b"\x10"), (5, 1, dbm(-79)), (11, 1, b"\x01")]])
    events.append((n * 0.29 + 0.007, head + frame))
    acknowledgement = checked(b"\xd4\x00\x00\x00" + HOUSE)
    events.append((n * 0.29 + 0.0071, radiotap([[(1, 1, b"\x10"), (5, 1, dbm(-60))]]) + acknowledgement))
for n in range(40):
    frame = checked(data(HANDSET, VIDEO, 17 * n, udp(rtp(9000 + n), 5004), tid=5), damaged=True)
    head = radiotap([[(1, 1, b"\x50"), (5, 1, dbm(-90)), (6, 1, dbm(-95))]])
    events.append((n * 0.7 + 0.021, head + frame))
for at, packet in sorted(events, key=lambda event: event[0]):
    write(at, packet)
open("air.pcap", "wb").write(out)
