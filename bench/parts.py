#!/usr/bin/env python3
"""A run in parts: measures what its units cost on a site, and simulates from that how long a run of any size takes in 1 to 1,000 parts.

  python3 bench/parts.py measure SITE/pipeline.yaml... [--parts 40] [--program target/release/echograde] [--out costs.json]
  python3 bench/parts.py simulate costs.json

`measure` does the parts of each site one after another on one thread and counts processor time, so that a busy machine does not show.
It needs Linux and nothing beyond Python's own library. What `simulate` assumes beyond what was measured stands in ASSUMED.
"""
import argparse, glob, json, os, random, shutil, struct, subprocess, tempfile

# Not measured here: one machine of two cores with its own disk is no cluster.
ASSUMED = {
    "threads of a part": 2,
    "seconds from a part's turn until its program runs (scheduler, shared disk)": 2.0,
    "bytes a second that all parts together read from and write to the shared disk": 5e9,
    "bytes a second of SHA-256, which one part alone finds of a file": 1.5e9,
    "size of the largest file, bytes": 2e9,
    "bytes of a point in the files": 7.0,
    "parts of deal that a tile has points from (strips, and where they are cut)": 4.0,
}
# Measured: an index of 63 tiles and up to 400 parts is read at 75 MB/s, and takes 400 bytes for each part that a tile has points from.
INDEX_SECONDS = 400 / 75e6
# From bench/README.md: 1,006 million survey points, 200 million of the reference.
REFERENCE_SHARE, TILES_PER_1E9 = 0.2, 972
BYTES_ON_DISK = 7.8


def cpu(command):
    """Processor seconds of a command, and its peak memory in MiB."""
    child = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    _, status, usage = os.wait4(child.pid, 0)
    assert status in (0, 3 << 8), f"{command} failed"
    return usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024


def tiles_in(journal):
    """The tiles of a journal: each frame is its length, a checksum, the length of its head, the head as JSON, and the rest."""
    found, at = set(), 0
    data = open(journal, "rb").read()
    while at < len(data):
        (length,), (head,) = struct.unpack_from("<Q", data, at), struct.unpack_from("<I", data, at + 16)
        key = json.loads(data[at + 20 : at + 20 + head])["part"]["key"]
        found.add((key["row"], key["column"]))
        at += 16 + length
    return found


def measure_site(pipeline, parts, program, folder):
    out = os.path.join(folder, "run")
    work = out + ".unfinished"
    shutil.rmtree(work, ignore_errors=True)
    shutil.rmtree(out, ignore_errors=True)
    part = lambda phase, k: cpu(
        [program, "run", pipeline, "--out", out, "--threads", "1", "--phase", phase, "--part", f"{k}/{parts}"]
    )
    deal = [part("deal", k) for k in range(1, parts + 1)]
    points, entries = {}, 0
    for path in glob.glob(work + "/deal/*/index.json"):
        index = json.load(open(path))
        for cloud in filter(None, (index["survey"], index["reference"])):
            entries += len(cloud["shares"])
            which = 0 if cloud is index["survey"] else 1
            for key, share in cloud["shares"]:
                points.setdefault((key["row"], key["column"]), [0, 0])[which] += share["points"]
    rows = []
    for k in range(1, parts + 1):
        seconds, memory = part("work", k)
        own = [points[key] for key in tiles_in(f"{work}/work/{k}/tiles")]
        rows.append(
            {
                "seconds": seconds,
                "memory": memory,
                "tiles": len(own),
                "survey": sum(p[0] for p in own),
                "reference": sum(p[1] for p in own),
                "survey_beside_reference": sum(p[0] for p in own if p[1]),
            }
        )
    finish = cpu([program, "finish", out, "--threads", "1"])
    read = sum(input["points"] for input in json.load(open(out + "/manifest.json"))["inputs"])
    return {"deal": deal, "work": rows, "finish": finish, "read": read, "entries": entries, "tiles": len(points)}


def least_squares(rows, columns):
    """Coefficients that are not negative, by relative residuals: coordinate descent."""
    x = [0.0] * len(columns)
    weighted = [([row[c] for c in columns], row["seconds"], 1 / max(row["seconds"], 0.03) ** 2) for row in rows]
    for _ in range(3000):
        for j in range(len(x)):
            top = bottom = 0.0
            for a, t, w in weighted:
                rest = t - sum(a[i] * x[i] for i in range(len(x)) if i != j)
                top, bottom = top + w * a[j] * rest, bottom + w * a[j] ** 2
            x[j] = max(0.0, top / bottom) if bottom else 0.0
    return x


def costs(sites):
    """What units cost, seconds of one processor."""
    rows = [dict(row, part=1) for site in sites for row in site["work"]]
    columns = ["part", "tiles", "survey", "reference", "survey_beside_reference"]
    x = least_squares(rows, columns)
    expected = lambda row: sum(row[c] * v for c, v in zip(columns, x))
    full = [row for row in rows if row["tiles"]]
    ratios = [row["seconds"] / expected(row) for row in full]
    read = sum(site["read"] for site in sites)
    deal = sum(seconds for site in sites for seconds, _ in site["deal"])
    empty = min(seconds for site in sites for seconds, _ in site["deal"])
    finish = sum(site["finish"][0] for site in sites)
    return {"work": dict(zip(columns, x)), "ratios": ratios, "deal": deal / read, "least part": empty, "finish": finish / read}


def simulate(sites):
    found = costs(sites)
    work = found["work"]
    print("Measured, µs of one processor a point: deal %.3f, finish %.3f." % (found["deal"] * 1e6, found["finish"] * 1e6))
    print("Work: %.1f ms a tile, %.3f µs a survey point, %.3f more where there is reference, %.3f a reference point." % (
        work["tiles"] * 1e3, work["survey"] * 1e6, work["survey_beside_reference"] * 1e6, work["reference"] * 1e6))
    ratios = sorted(found["ratios"])
    print("Parts took %.2f to %.2f (middle half %.2f to %.2f) of what that foretells." % (
        ratios[0], ratios[-1], ratios[len(ratios) // 4], ratios[-len(ratios) // 4]))
    for key, value in ASSUMED.items():
        print(f"Assumed: {key}: {value:g}.")
    print("\n| points | parts | deal, s | work, s | finish, s | in all, s | faster than 1 part |\n| ---: | ---: | ---: | ---: | ---: | ---: | ---: |")
    threads, start, disk, sha, largest, in_file, pieces = ASSUMED.values()
    draw = random.Random(18)
    for points in (1e9, 1e12):
        tiles = int(TILES_PER_1E9 * points / 1e9)
        read = points * (1 + REFERENCE_SHARE)
        per_tile = work["tiles"] + points / tiles * (
            work["survey"] + REFERENCE_SHARE * (work["survey_beside_reference"] + work["reference"]))
        # The parts cut by what is foretold; what each tile takes is drawn from what was measured.
        took = [per_tile * draw.choice(ratios) for _ in range(tiles)]
        first = None
        for parts in (1, 3, 10, 30, 100, 300, 1000):
            hash_alone = min(largest, read * in_file) / sha if parts > 1 else 0.0
            deal = start + max(read * found["deal"] / parts / threads, hash_alone, read * (in_file + BYTES_ON_DISK) / disk)
            edges = [tiles * k // parts for k in range(parts + 1)]
            stretches = [took[a:b] for a, b in zip(edges, edges[1:])]
            # Surfaces of the tiles around a part are made again: about its rim.
            rim = lambda n: 1 + 4 * (n**0.5 + 1) / max(n, 1) * 0.06
            slowest = max(max(sum(s) / threads, max(s, default=0.0)) * rim(len(s)) for s in stretches)
            # Each part reads the indexes of all parts of deal, on one thread.
            index = (tiles * min(parts, pieces) + 2 * parts) * INDEX_SECONDS
            work_s = start + index + max(slowest, points * BYTES_ON_DISK / disk)
            finish = start + index + read * found["finish"] / threads
            whole = deal + work_s + finish
            first = first or whole
            print(f"| {points:.0e} | {parts:,} | {deal:,.0f} | {work_s:,.0f} | {finish:,.0f} | {whole:,.0f} | {first / whole:.1f} |")


def main():
    arguments = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    commands = arguments.add_subparsers(dest="command", required=True)
    measure = commands.add_parser("measure")
    measure.add_argument("pipelines", nargs="+")
    measure.add_argument("--parts", type=int, default=40)
    measure.add_argument("--program", default="target/release/echograde")
    measure.add_argument("--out", default="costs.json")
    commands.add_parser("simulate").add_argument("costs")
    given = arguments.parse_args()
    if given.command == "simulate":
        return simulate(json.load(open(given.costs)))
    with tempfile.TemporaryDirectory() as folder:
        sites = [measure_site(pipeline, given.parts, given.program, folder) for pipeline in given.pipelines]
    json.dump(sites, open(given.out, "w"))
    for pipeline, site in zip(given.pipelines, sites):
        deal, work = sum(s for s, _ in site["deal"]), sum(row["seconds"] for row in site["work"])
        print(f"{pipeline}: {site['tiles']} tiles, deal {deal:.2f} s, work {work:.2f} s, finish {site['finish'][0]:.2f} s")


if __name__ == "__main__":
    main()
