"""Makes the pictures of docs/choosing-parameters.md again, from the demonstration data.

From the top folder of the project: python3 docs/pictures.py [PROGRAM]

The program draws them: its charts are taken out of report.html and given the colours of its style sheet on white.
"""

import pathlib
import re
import subprocess
import sys
import tempfile

TOP = pathlib.Path(__file__).resolve().parent.parent
PICTURES = TOP / "docs" / "pictures"
PROGRAM = sys.argv[1:] or ["cargo", "run", "--quiet", "--release", "--"]
STYLE = """<style>
svg { font-family: sans-serif; background: #fff }
.hint, .tick { font-size: 11.5px; fill: #555 } .label { font-size: 12.5px; fill: #111 }
.bar { fill: #8a9399 } .band { fill: #e6e2da } .grid { stroke: #ddd } .axis { stroke: #777 }
.zero { stroke: #111; stroke-dasharray: 3 2.5 } .class { stroke: #777; stroke-dasharray: 4 3 }
.whisker { stroke: #111; stroke-width: 1.2 } .mark { fill: #111; stroke: #111 }
.bias { stroke: #a3401f; stroke-width: 1.6 } .pointer { fill: #a3401f }
</style>
"""


def run(text: str, folder: pathlib.Path, name: str) -> str:
    """The report of a pipeline file of this text beside those in docs."""
    file = TOP / "docs" / f".{name}.yaml"
    file.write_text(text)
    try:
        command = [*PROGRAM, "run", str(file), "--out", str(folder / name)]
        subprocess.run(command, check=True, cwd=TOP, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    finally:
        file.unlink()
    return (folder / name / "report.html").read_text()


def picture(report: str, chart: str, name: str) -> None:
    """Writes the chart of this name as a file of its own."""
    found = re.search(r"<svg [^>]*aria-labelledby=\"%s-title.*?</svg>" % chart, report, re.S)
    assert found, chart
    svg = found.group(0)
    width, height = re.search(r'viewBox="0 0 ([\d.]+) ([\d.]+)"', svg).groups()
    paper = f'<rect x="0" y="0" width="{width}" height="{height}" fill="#fff"/>\n'
    head, rest = svg.split("\n", 1)
    (PICTURES / f"{name}.svg").write_text(f"{head}\n{STYLE}{paper}{rest}\n")


def main() -> None:
    PICTURES.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        folder = pathlib.Path(folder)
        text = (TOP / "docs" / "ground-filter.yaml").read_text()
        picture(run(text, folder, "thresholds"), "filters", "thresholds")
        # Return 5 alone, chosen after the ground filter, under a tight threshold and a loose one.
        plain = re.sub(r"      compare:\n(        - .*\n)*", "", text)
        plain = plain.replace("  - checkpoints:", "  - select: {cloud: survey, returns: [5]}\n  - checkpoints:")
        for name, threshold in [("return-5-at-0.15-m", "0.15 m"), ("return-5-at-0.5-m", "0.5 m")]:
            report = run(plain.replace("dh_initial: 0.3 m", f"dh_initial: {threshold}"), folder, name)
            picture(report, "dz-1", name)


if __name__ == "__main__":
    main()
