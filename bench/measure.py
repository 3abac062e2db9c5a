"""Runs commands and measures them, and makes the benchmarks' tables. Needs nothing but Python's own library.

    measure.py run FILE LABEL COMMAND...   runs a command; adds its wall time and peak memory to FILE
    measure.py same SUMMARY SUMMARY        fails unless two summaries agree
    measure.py ratios FILE MANIFEST        prints the table of compare.sh
    measure.py size FILE MANIFEST          prints what growth.sh keeps of one run, the last in FILE
    measure.py growth FILE                 prints the table of growth.sh
"""

import json
import os
import statistics
import sys
import time

MIB = 1 << 20
# Most that the program may take, in times of decode-only; least that the script must take, in times of the program.
PROGRAM_AT_MOST = 1.5
SCRIPT_AT_LEAST = 3.0


def run(path, label, *command):
    """Peak memory is what the system says once the child is gone (ru_maxrss), of that child alone."""
    start = time.perf_counter()
    # Standard output is not part of any result here; messages and progress are.
    quiet = [(os.POSIX_SPAWN_OPEN, 1, os.devnull, os.O_WRONLY, 0)]
    pid = os.posix_spawnp(command[0], command, os.environ, file_actions=quiet)
    _, status, usage = os.wait4(pid, 0)
    seconds = time.perf_counter() - start
    code = os.waitstatus_to_exitcode(status)
    if code not in (0, 3):  # 3: done, but an acceptance limit is not met
        sys.exit(f"{label} failed with code {code}: {' '.join(command)}")
    kilo = 1 if sys.platform == "darwin" else 1024
    measured = {
        "label": label,
        "seconds": seconds,
        "processor_seconds": usage.ru_utime + usage.ru_stime,
        "peak_memory": usage.ru_maxrss * kilo,
    }
    with open(path, "a") as file:
        file.write(json.dumps(measured) + "\n")
    print(f"  {seconds:.2f} s, {measured['peak_memory'] / MIB:.0f} MiB", file=sys.stderr)


def lines(path):
    with open(path) as file:
        return [json.loads(line) for line in file]


def same(one, other):
    """Counts must be the same. Means and spreads may differ by 0.05 mm: of reference points equally near, which files
    in whole millimetres have many of, the program takes one by chance and the script the first."""
    summaries = []
    for path in (one, other):
        with open(path) as file:
            summary = json.load(file)
            summaries.append([summary["all"], *summary["returns"]])
    wrong = []
    if len(summaries[0]) != len(summaries[1]):
        wrong.append("not the same returns")
    for mine, theirs in zip(*summaries):
        for name, most in {"points": 0, "ground": 0, "compared": 0, "bias": 5e-5, "sd": 5e-5, "rmse": 5e-5}.items():
            a, b = mine[name], theirs[name]
            if a != b and (a is None or b is None or abs(a - b) > most):
                wrong.append(f"return {mine.get('return', 'all')}, {name}: {a} and {b}")
    if wrong:
        sys.exit(f"{one} and {other} do not agree:\n" + "\n".join(wrong))
    print("  the program and the script give the same answers", file=sys.stderr)


def read_points(manifest):
    """Points of survey and of reference."""
    by_cloud = {"survey": 0, "reference": 0}
    for one in manifest["inputs"]:
        by_cloud[one["cloud"]] += one["points"]
    return by_cloud["survey"], by_cloud["reference"]


def ratios(path, manifest_path):
    with open(manifest_path) as file:
        manifest = json.load(file)
    survey, reference = read_points(manifest)
    measured = {}
    for line in lines(path):
        measured.setdefault(line["label"], []).append(line)
    print(f"{survey:,} survey points, {reference:,} reference points, {manifest['threads']} threads\n")
    print("|  | rounds | median, s | fastest, s | slowest, s | processor, s | points/s | peak memory, MiB |")
    print("| --- | ---: | ---: | ---: | ---: | ---: | ---: | ---: |")
    medians = {}
    for label in ("decode-only", "program", "script"):
        rounds = measured.get(label)
        if not rounds:
            continue
        seconds = [one["seconds"] for one in rounds]
        medians[label] = statistics.median(seconds)
        processor = statistics.median(one["processor_seconds"] for one in rounds)
        peak = max(one["peak_memory"] for one in rounds) / MIB
        print(
            f"| {label} | {len(rounds)} | {medians[label]:.2f} | {min(seconds):.2f} | {max(seconds):.2f} |"
            f" {processor:.2f} | {(survey + reference) / medians[label]:,.0f} | {peak:,.0f} |"
        )
    ratio = medians["program"] / medians["decode-only"]
    verdict = "met" if ratio <= PROGRAM_AT_MOST else "NOT met"
    print(f"\nprogram / decode-only: {ratio:.2f} (at most {PROGRAM_AT_MOST}: {verdict})")
    if "script" in medians:
        ratio = medians["script"] / medians["program"]
        verdict = "met" if ratio >= SCRIPT_AT_LEAST else "NOT met"
        print(f"script / program: {ratio:.1f} (at least {SCRIPT_AT_LEAST:g}: {verdict})")
    steps = ", ".join(f"{one['step']} {one['seconds']:.2f} s" for one in manifest["seconds"])
    print(f"\nsteps of the last run: {steps}")


def size(path, manifest_path):
    with open(manifest_path) as file:
        manifest = json.load(file)
    survey, reference = read_points(manifest)
    measured = lines(path)[-1]
    print(json.dumps({
        "survey": survey,
        "reference": reference,
        "seconds": measured["seconds"],
        "peak_memory": measured["peak_memory"],
        "peak_memory_as_told": manifest["peak_memory"],
        "spill": manifest["spill_bytes"],
        "tile": manifest["tile_edge_m"],
    }))


def growth(path):
    print(
        "| survey points | reference points | wall time, s | points/s | µs per point | peak memory, MiB"
        " | the same in `manifest.json` | spill, MiB | spill, bytes per point | tile, m |"
    )
    print("| ---: " * 10 + "|")
    for one in lines(path):
        points = one["survey"] + one["reference"]
        told = one["peak_memory_as_told"]
        print(
            f"| {one['survey']:,} | {one['reference']:,} | {one['seconds']:.1f} | {points / one['seconds']:,.0f} |"
            f" {1e6 * one['seconds'] / points:.3f} | {one['peak_memory'] / MIB:,.0f} |"
            f" {'' if told is None else f'{told / MIB:,.0f}'} | {one['spill'] / MIB:,.0f} |"
            f" {one['spill'] / points:.1f} | {one['tile']:g} |"
        )


def main():
    commands = {"run": run, "same": same, "ratios": ratios, "size": size, "growth": growth}
    if len(sys.argv) < 3 or sys.argv[1] not in commands:
        sys.exit(__doc__)
    commands[sys.argv[1]](*sys.argv[2:])


if __name__ == "__main__":
    main()
