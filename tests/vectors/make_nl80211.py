"""nl80211.json: readings of a wireless card, written by pyroute2 0.9.7 (a netlink library that is not ours); its constants are the kernel's."""

from pyroute2.netlink import nl80211
from pyroute2.netlink.nl80211 import nl80211cmd

from vector_file import settle

NAME = "NL80211_ATTR_IFNAME"
STATION = "NL80211_ATTR_STA_INFO"


def message(command, attributes):
    made = nl80211cmd()
    made["header"]["type"] = 34
    made["cmd"] = nl80211.NL80211_NAMES[command]
    made["version"] = 1
    made["attrs"] = attributes
    made.encode()
    made.data[0:4] = len(made.data).to_bytes(4, "little")
    return bytes(made.data)


def station(last, **info):
    attributes = [[f"NL80211_STA_INFO_{key}", value] for key, value in info.items()]
    return message(
        "NL80211_CMD_NEW_STATION",
        [["NL80211_ATTR_IFINDEX", 3], ["NL80211_ATTR_MAC", f"02:00:00:00:00:{last:02x}"], [STATION, {"attrs": attributes}]],
    )


def card(name):
    return message("NL80211_CMD_NEW_INTERFACE", [["NL80211_ATTR_IFINDEX", 3], [NAME, name]])


CASES = [
    ("one station", card("wlan0") + station(1, INACTIVE_TIME=40, RX_BYTES=7, SIGNAL=-67, SIGNAL_AVG=-70), "wlan0", -67),
    ("at the edge of two seconds", card("wlx02") + station(1, INACTIVE_TIME=2000, SIGNAL=-90), "wlx02", -90),
    ("silent for longer", card("wlan0") + station(1, INACTIVE_TIME=2001, SIGNAL=-60), "wlan0", None),
    ("no station", card("wlan1"), "wlan1", None),
    ("two stations", card("wlan0") + station(1, INACTIVE_TIME=4, SIGNAL=-50) + station(2, INACTIVE_TIME=4, SIGNAL=-80), "wlan0", None),
    ("two stations, one idle", card("wlan0") + station(1, INACTIVE_TIME=4, SIGNAL=-50) + station(2, INACTIVE_TIME=60000, SIGNAL=-80), "wlan0", -50),
    ("beacons, read for the first time", card("wlan0") + station(1, INACTIVE_TIME=9000, SIGNAL=-50, BEACON_RX=70), "wlan0", None),
    ("a driver without dBm", card("wlan0") + station(1, INACTIVE_TIME=4, RX_BYTES=7), "wlan0", None),
]



def beacons(at_ms, count, dbm, last=1, level=-64):
    reading = card("wlan0") + station(last, INACTIVE_TIME=9000 + at_ms, SIGNAL=level, BEACON_RX=count)
    return {"at_ms": at_ms, "reading": reading.hex(), "dbm": dbm}


SEQUENCES = [
    ("they come, and end", [beacons(0, 70, None), beacons(500, 75, -64), beacons(2000, 75, -64), beacons(2001, 75, None), beacons(2400, 76, -64)]),
    ("nothing was read for long", [beacons(0, 70, None), beacons(60_000, 75, None), beacons(60_100, 76, -64)]),
    ("another station, and a count that began anew", [beacons(0, 70, None), beacons(100, 75, None, last=2), beacons(200, 3, None, last=2)]),
]

settle(
    "nl80211",
    {
        "cases": [{"what": what, "reading": made.hex(), "name": name, "dbm": dbm} for what, made, name, dbm in CASES],
        "sequences": [{"what": what, "readings": readings} for what, readings in SEQUENCES],
    },
)
