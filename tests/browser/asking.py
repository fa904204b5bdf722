"""Makes of a page a copy that tells what a browser made of it: asking.py PAGE COPY [MORE STYLE].

The page's own rule against scripts is taken out of the copy, and a script put in that tells the page around it: what of the
words can be selected, which pictures have no size, which labels are cut off, how wide all is."""

import re
import sys

SCRIPT = r"""
document.querySelectorAll('details').forEach(part => { part.open = true; });
const squeezed = text => text.replace(/[^\p{L}\p{N}]/gu, '');
const selection = getSelection();
selection.selectAllChildren(document.body);
const selected = squeezed(selection.toString());
selection.removeAllRanges();
let at = 0;
const lost = [];
for (const node of document.querySelectorAll('h1, h2, h3, p, li, th, td, caption, figcaption, svg text')) {
  const words = squeezed(node.textContent);
  const found = selected.indexOf(words, at);
  if (found < 0) lost.push(node.textContent); else at = found;
}
const boxes = [...document.querySelectorAll('svg')].map(svg => [svg, svg.getBoundingClientRect()]);
const outside = [];
for (const [svg, box] of boxes) {
  // What is seen of a label ends at its picture, or else at the window.
  const free = getComputedStyle(svg).overflow === 'visible';
  const [left, right] = free ? [0, innerWidth] : [box.left, box.right];
  const most = free ? 8 : 4;
  for (const label of svg.querySelectorAll('text')) {
    const own = label.getBoundingClientRect();
    const over = Math.max(left - own.left, own.right - right, box.top - own.top - most, own.bottom - box.bottom - most);
    if (over > 0.5) outside.push(label.textContent.trim() + ' by ' + Math.round(over));
  }
}
const told = {
  words: selected.length, lost, outside, flat: boxes.filter(([, box]) => box.width < 100 || box.height < 12).length,
  drawn: boxes.length, width: innerWidth, wide: document.documentElement.scrollWidth,
};
parent.postMessage(JSON.stringify(told), '*');
"""

page, copy, style = sys.argv[1:4]
with open(page, encoding="utf-8") as file:
    text = file.read()
text, count = re.subn(r'<meta http-equiv="Content-Security-Policy"[^>]*/>', "", text)
assert count == 1, "the page has one rule against scripts"
text = text.replace("</style>", style + "</style>", 1)
text = text.replace("</body>", f"<script>{SCRIPT}</script></body>", 1)
with open(copy, "w", encoding="utf-8") as file:
    file.write(text)
