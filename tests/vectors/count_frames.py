"""Counts the frames of a recording by sender, for tests/real_recordings.rs and tests/loss.rs. pymavlink 2.4.50.

Only framing, checksums and sequence numbers: start byte, length, checksum with the message's extra byte, and the
developer guide's rule for gaps. Copies (the same bytes within 0.5 s in a capture) are counted, and set aside for the
gaps. A gap of half a wrap or more is a frame out of order.

    python -B count_frames.py ../data/quad2013_a.raw ../data/sub_2023a_cut.raw ../data/field_rural_cut.pcapng
"""

import collections
import pathlib
import struct
import sys

from pymavlink.dialects.v20 import all as dialect

EXTRA = {number: message.crc_extra for number, message in dialect.mavlink_map.items()}
# Of the public common set, which the library's own set leaves out.
EXTRA |= {8: 117, 300: 217, 380: 232, 397: 182, 410: 160, 411: 106}


def crc(data, extra):
    value = 0xFFFF
    for byte in [*data, extra]:
        low = (byte ^ value) & 0xFF
        low = (low ^ (low << 4)) & 0xFF
        value = (value >> 8) ^ (low << 8) ^ (low << 3) ^ (low >> 4)
    return value


def frames(data, rest):
    """Every sound frame of known id: (sender, number, bytes). What may be a frame's beginning is left in `rest`."""
    at = 0
    while at < len(data):
        first = data[at]
        head, short = (10, 12) if first == 0xFD else (6, 8) if first == 0xFE else (0, 0)
        if not head:
            at += 1
            continue
        if at + head > len(data) or at + data[at + 1] + short > len(data):
            rest.append(data[at:])
            return
        new = first == 0xFD
        size = data[at + 1] + short
        number, system, component = data[at + (4 if new else 2)], data[at + (5 if new else 3)], data[at + (6 if new else 4)]
        message = int.from_bytes(data[at + 7:at + 10], "little") if new else data[at + 5]
        frame = data[at:at + size]
        signed = 13 if new and data[at + 2] & 1 else 0
        sound = len(frame) == size and message in EXTRA
        sound = sound and crc(frame[1:-2], EXTRA[message]) == int.from_bytes(frame[-2:], "little")
        if sound:
            yield (system, component), number, frame
        at += size + signed if sound else 1


def datagrams(data):
    """The UDP payloads of a pcapng file with their times in seconds and flows, Ethernet or bare IP under them."""
    at, order, links = 0, "<", []
    while at + 12 <= len(data):
        kind, size = struct.unpack_from(order + "II", data, at)
        if kind == 0x0A0D0D0A:
            order = "<" if data[at + 8:at + 12] == b"\x4d\x3c\x2b\x1a" else ">"
            size = struct.unpack_from(order + "I", data, at + 4)[0]
        if at + size > len(data) or size < 12:
            return
        if kind == 1:
            links.append(struct.unpack_from(order + "H", data, at + 8)[0])
        elif kind == 6:
            interface, high, low, length = struct.unpack_from(order + "IIII", data, at + 8)
            packet = data[at + 28:at + 28 + length]
            packet = packet[{1: 14, 113: 16}.get(links[interface], 0):]
            if packet and packet[0] >> 4 == 4 and packet[9] == 17:
                head = (packet[0] & 15) * 4
                yield ((high << 32) + low) / 1e6, packet[12:20] + packet[head:head + 4], packet[head + 8:]
        at += size


def count(path):
    data = pathlib.Path(path).read_bytes()
    parts = list(datagrams(data)) if data[:4] == b"\x0a\x0d\x0d\x0a" else [(None, None, data)]
    rows, last, seen, tails = collections.defaultdict(lambda: [0] * 5), {}, {}, {}
    missing = set()
    for at, flow, part in parts:
        rest = []
        found = list(frames(tails.get(flow, b"") + part, rest))
        tails[flow] = b"".join(rest)
        for sender, number, frame in found:
            row = rows[sender]
            row[0] += 1
            if at is not None and at - seen.get(frame, -9) < 0.5:
                row[1] += 1
                continue
            seen[frame] = at
            gap = (number - last.get(sender, number - 1) - 1) % 256
            if gap >= 128:
                row[4] += 1
                row[2] -= (sender, number) in missing
                missing.discard((sender, number))
                continue
            missing |= {(sender, (number - back) % 256) for back in range(1, gap + 1)}
            missing.discard((sender, number))
            row[2] += gap
            row[3] += gap > 0
            last[sender] = number
    print(path)
    for sender, (heard, copies, lost, periods, late) in sorted(rows.items()):
        print(f"  {sender[0]}/{sender[1]}: frames {heard}, copies {copies}, lost {lost} in {periods} periods, "
              f"out of order {late}")


if __name__ == "__main__":
    for name in sys.argv[1:]:
        count(name)
