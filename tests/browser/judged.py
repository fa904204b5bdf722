"""Judges what a browser made of pages: judged.py FOLDER PAGE..."""

import html
import json
import re
import struct
import sys
import zlib


def corner(png):
    """The first sample of a PNG: nothing lies left of it or above, so that every filter leaves it as it is."""
    data, at = b"", 8
    while at < len(png):
        length, kind = struct.unpack(">I4s", png[at : at + 8])
        data += png[at + 8 : at + 8 + length] if kind == b"IDAT" else b""
        at += 12 + length
    return zlib.decompress(data)[1]


folder, pages = sys.argv[1], sys.argv[2:]


def read(name):
    with open(f"{folder}/{name}", encoding="utf-8") as file:
        return file.read()


def asked(page):
    """What a page would load; the browser's own errands have no page behind them."""
    events = [event.get("params", {}) for event in json.loads(read(f"{page}.net.json"))["events"]]
    return [event["url"] for event in events if event.get("initiator", "not an origin") != "not an origin"]


def told(page, width):
    """What the copy of a page tells of itself."""
    found = re.search(r'<pre id="told">(.*?)</pre>', read(f"{page}-{width}.told.html"), re.S)
    return json.loads(html.unescape(found.group(1)))


assert asked("foreign") == ["http://example.invalid/a.png"], "what is loaded would be seen"
spoilt = told("spoilt", 1280)
assert spoilt["lost"] and spoilt["flat"] and spoilt["outside"] and spoilt["wide"] > spoilt["width"], "each would be seen"
for page in pages:
    text, dom = read(f"{page}.html"), read(f"{page}.dom.html")
    # The browser read what stands in the file: as many pictures, and words as text.
    shown, drawn = (len(re.findall(r"<svg ", one)) for one in (text, dom))
    least = {"absent": 0, "compared": 2, "shaken": 12}.get(page, 11)
    assert shown == drawn >= least, (page, shown, drawn)
    assert not asked(page), (page, asked(page))
    hostile = "</p><script>x('&')</script>"
    assert "<script" not in dom and (hostile in html.unescape(dom)) == (page in ("shaken", "compared")), page
    for width in (1280, 390):
        own = told(page, width)
        assert own["drawn"] == shown and not own["flat"], (page, width, own["flat"])
        assert own["words"] > 1000 and not own["lost"], (page, width, own["lost"][:5])
        assert not own["outside"], (page, width, own["outside"])
        assert own["width"] == width and own["wide"] <= width, (page, own["width"], own["wide"])
    for look in ("light-1280", "dark-1280", "light-390", "dark-390"):
        with open(f"{folder}/{page}-{look}.png", "rb") as picture:
            ground = corner(picture.read())
        assert (ground > 200) == look.startswith("light"), (page, look, ground)
    print(f"{page}: {drawn} pictures drawn, nothing asked for, {own['words']} letters can be selected")
