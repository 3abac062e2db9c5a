"""The page of a run in a real browser: no message on the console, nothing asked of a network, nothing wider than the window, and the
map that answers pointer and keyboard. `page.py REPORT.html`; says so and passes where no Chromium is installed."""

import html
import json
import pathlib
import re
import shutil
import subprocess
import sys
import tempfile

BROWSERS = ["chromium", "chromium-browser", "google-chrome"]

# Runs after the page's own scripts, and leaves what it found in the document.
PROBE = """
<script>
addEventListener("error", (event) => (window.failed = (window.failed || []).concat(event.message)));
addEventListener("load", () => {
  const found = { width: innerWidth, scroll: document.documentElement.scrollWidth, requests: performance.getEntriesByType("resource")
    .map((entry) => entry.name).filter((name) => !name.startsWith("data:")) };
  const map = document.getElementById("map");
  if (map) {
    const data = JSON.parse(document.getElementById("map-data").textContent);
    const told = () => document.getElementById("map-told").textContent;
    const drawn = () => [...document.querySelectorAll("#map-cells path")].map((path) => path.getAttribute("d")).join("");
    const key = (name, more) => map.dispatchEvent(new KeyboardEvent("keydown", { key: name, bubbles: true, ...more }));
    map.scrollIntoView();
    const cell = data.cells[Math.floor(data.cells.length / 2)];
    const at = new DOMPoint(cell[0] + 0.5, cell[1] + 0.5).matrixTransform(map.getScreenCTM());
    map.dispatchEvent(new PointerEvent("pointermove", { clientX: at.x, clientY: at.y, bubbles: true }));
    found.hover = told();
    found.cell = cell;
    found.decimals = data.decimals;
    const view = () => map.getAttribute("viewBox").split(" ").map(Number);
    found.whole = view();
    found.bar = document.getElementById("map-bar-length").textContent;
    key("+");
    key("+");
    found.magnified = view();
    found.magnified_bar = document.getElementById("map-bar-length").textContent;
    key("ArrowRight");
    found.moved = view();
    key("Home");
    found.home = view();
    key("a");
    const all = drawn();
    key("1");
    found.of_return = drawn() !== all;
    key("a");
    found.all_again = drawn() === all;
    key("ArrowRight", { shiftKey: true });
    found.stepped = told();
    found.hidden = {};
    for (const box of document.querySelectorAll("#map-tools input")) {
      const layer = document.getElementById(box.value);
      const shown = () => getComputedStyle(layer).display !== "none";
      const before = shown();
      box.click();
      found.hidden[box.value] = before !== shown() && before !== box.checked;
      box.click();
    }
  }
  const unnamed = [...document.querySelectorAll("svg")].filter((svg) => svg.getAttribute("role") === "img" &&
    !svg.getAttribute("aria-label") && !(svg.getAttribute("aria-labelledby") || "").split(" ").every((id) => document.getElementById(id)));
  const ids = [...document.querySelectorAll("[id]")].map((one) => one.id);
  found.unnamed = unnamed.length;
  found.twice = ids.filter((id, i) => ids.indexOf(id) !== i);
  found.failed = window.failed || [];
  const out = document.createElement("pre");
  out.id = "probe";
  out.textContent = JSON.stringify(found);
  document.body.append(out);
});
</script>
"""


def look(browser, page, folder, width):
    """What the probe found in a window of that width, and what the console said."""
    probed = folder / "probed.html"
    probed.write_text(page.read_text(encoding="utf-8").replace("</body>", PROBE + "</body>"), encoding="utf-8")
    command = [browser, "--headless", "--no-sandbox", "--disable-gpu", "--enable-logging=stderr", "--hide-scrollbars",
               f"--user-data-dir={folder / 'profile'}", f"--window-size={width},900", "--virtual-time-budget=5000",
               "--dump-dom", probed.as_uri()]
    run = subprocess.run(command, capture_output=True, text=True, timeout=120)
    found = re.search(r'<pre id="probe">(.*?)</pre>', run.stdout, re.DOTALL)
    assert found, f"the page did not load: {run.stderr[-2000:]}"
    console = [line for line in run.stderr.splitlines() if "CONSOLE" in line]
    return json.loads(html.unescape(found.group(1))), console


def check(browser, page, folder):
    size = page.stat().st_size
    assert size < 3_000_000, f"{page} has {size} bytes"
    for width in [1280, 400]:
        found, console = look(browser, page, folder, width)
        assert not console, console
        assert not found["failed"] and not found["requests"], found
        assert found["scroll"] <= found["width"], f"at {width}: {found['scroll']} of {found['width']} pixels"
        assert found["unnamed"] == 0 and not found["twice"], found
        if "whole" not in found:
            continue
        returns = found["cell"][2:]
        n = sum(one[1] for one in returns)
        dz = sum(one[1] * one[2] for one in returns) / n
        shown = f"{abs(dz):.{found['decimals']}f}"
        assert f"{shown} " in found["hover"] and f"(n {n})" in found["hover"], found
        whole, magnified, moved = found["whole"], found["magnified"], found["moved"]
        assert abs(magnified[2] * 2.25 - whole[2]) < 0.01 * whole[2] or magnified[2] <= 4, found
        assert moved[0] > magnified[0] and found["home"] == whole, found
        assert found["of_return"] and found["all_again"] and found["stepped"].startswith("E "), found
        assert all(found["hidden"].values()) and len(found["hidden"]) >= 2, found
        print(f"{page.name} at {width}: {found['hover']}; scale {found['bar']}, magnified {found['magnified_bar']}")


def main():
    browser = next((path for path in map(shutil.which, BROWSERS) if path), None)
    if browser is None:
        print("no Chromium is installed: the page was not looked at in a browser")
        return
    with tempfile.TemporaryDirectory() as folder:
        for page in sys.argv[1:]:
            check(browser, pathlib.Path(page).resolve(), pathlib.Path(folder))


main()
