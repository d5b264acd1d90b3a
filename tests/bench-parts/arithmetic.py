"""Samples to bands, km and ranges: in memory, from a recording, from CSV."""

import sys

from measure import FLOORS, LIBRARY, PRODUCT, ROOT, RUNS, WORK, Figure, cpu, own_cpu

DATA = WORK / "data"
RATED_KG = 12500
NOISE_G = 25_000
SITE = """
[site]
name = "Northquay store yard"
time_zone = "UTC"
[[crane]]
id = "yard-1"
group = "A7"
[drive.panel]
address = "127.0.0.1:1502"
[[crane.mechanism]]
id = "main-hoist"
kind = "hoist"
group = "M7"
rated_load_kg = 12500
drive = "panel"
[crane.mechanism.signals]
load_kg = { table = "holding", address = 0, type = "i32", word_order = "high-first", scale = 0.1, unit = "kg" }
raising = { table = "holding", address = 2, type = "bit", bit = 0 }
lowering = { table = "holding", address = 2, type = "bit", bit = 1 }
"""


def make(samples):
    marker = DATA / "made"
    wanted = f"{samples} {NOISE_G} {(ROOT / 'tests/bench-parts/floors.c').stat().st_mtime}"
    if not marker.exists() or marker.read_text() != wanted:
        (DATA / "recording").mkdir(parents=True, exist_ok=True)
        for old in (DATA / "recording").iterdir():
            old.unlink()
        cpu([FLOORS, "make", DATA, samples, NOISE_G])
        marker.write_text(wanted)
    (DATA / "site.toml").write_text(SITE)


def rate(samples, few, many, command):
    """Millions of samples a CPU-second of what a program does over and over, without its start and its reading."""
    def one():
        short = cpu([*command[:3], few, *command[3:]])[0]
        long = cpu([*command[:3], many, *command[3:]])[0]
        return samples * (many - few) / (long - short) / 1e6
    return [one() for _ in range(RUNS)]


def timed(samples, work):
    work()
    readings = []
    for _ in range(RUNS):
        before = own_cpu()
        work()
        readings.append(samples / (own_cpu() - before) / 1e6)
    return readings


UNIT = "M/CPU-s"


def library(table):
    """Bands and km, and range counting, over columns that are in memory."""
    import duckdb
    import numpy
    import polars
    import rainflow

    make(100_000_000)
    columns = numpy.fromfile(DATA / "columns", dtype=numpy.int64).reshape(-1, 2)
    samples = len(columns)
    load = numpy.ascontiguousarray(columns[:, 0]) / 1000.0
    runs = numpy.ascontiguousarray(columns[:, 1]) > 0
    frame = polars.DataFrame({"load": load, "runs": runs})
    base = duckdb.connect()
    base.register("given", {"load": load, "runs": runs})
    base.execute("create table samples as select * from given")
    path = DATA / "columns"

    def by_numpy():
        share = load[runs] / RATED_KG
        numpy.bincount(numpy.clip((share * 10).astype(numpy.int64), 0, 11), minlength=12)
        return (numpy.maximum(share, 0) ** 3).mean()

    def by_polars():
        share = (polars.col("load") / RATED_KG).clip(0)
        lazy = frame.lazy().filter("runs").group_by((share * 10).floor().clip(0, 11).alias("band"))
        return lazy.agg(polars.len(), (share * share * share).sum().alias("cubes")).collect()

    def by_duckdb():
        share = f"greatest(load / {RATED_KG}, 0)"
        return base.execute(
            f"select least(floor({share} * 10), 11) as band, count(*), sum({share} * {share} * {share})"
            " from samples where runs group by band"
        ).fetchall()

    table.heading("Library, columns in memory", f"{samples / 1e6:.0f} M samples, a quarter of them running.")
    ours = Figure("tallyhook-analysis, exact integers", rate(samples, 1, 41, [LIBRARY, "bands", path]), UNIT)
    figures = [
        ours,
        Figure("plain C loop, floats, cc -O2", rate(samples, 1, 41, [FLOORS, "bands", path]), UNIT),
        Figure("numpy", timed(samples, by_numpy), UNIT),
        Figure("polars", timed(samples, by_polars), UNIT),
        Figure("DuckDB", timed(samples, by_duckdb), UNIT),
    ]
    table.group("Bands and km", figures, ("at least 250", ours.median >= 250))

    few = load[:500_000]
    for percent, least, often in (("0", 60, 13), ("2", 250, 61)):
        ours = Figure("tallyhook-analysis", rate(samples, 1, often, [LIBRARY, "ranges", path, percent]), UNIT)
        figures = [ours, Figure("plain C, cc -O2", rate(samples, 1, often, [FLOORS, "ranges", path, percent]), UNIT)]
        if percent == "0":
            counted = timed(len(few), lambda: rainflow.count_cycles(few))
            figures.append(Figure("rainflow (Python), 0.5 M samples", counted, UNIT))
        name = f"Ranges, reversals above {percent} % of the rated load"
        table.group(name, figures, (f"at least {least}", ours.median >= least))


def replay(table):
    """The whole analysis of the product, the whole process."""
    import duckdb
    import polars

    make(100_000_000)
    table.heading("`replay`, the whole process", f"A cell that trembles by {NOISE_G / 1000:.0f} kg, reading by reading.")

    def runs(source, samples):
        readings = [cpu([PRODUCT, "replay", "--config", DATA / "site.toml", "--samples", source, "--json"])
                    for _ in range(RUNS)]
        memory = max(memory for _, memory, _ in readings)
        return [samples / used / 1e6 for used, _, _ in readings], memory

    readings, memory = runs(DATA / "recording", 100_000_000)
    ours = Figure("replay of a recording, 100 M samples", readings, UNIT)
    table.group("Recording", [ours], ("at least 40", ours.median >= 40))
    table.goal(f"memory under 64 MB, here {memory:.0f}", memory < 64)

    path, samples = DATA / "samples.csv", 10_000_000
    readings, memory = runs(path, samples)
    ours = Figure("replay of CSV, 10 M rows, the whole analysis", readings, UNIT)
    running = "(raising = 1 or lowering = 1)"
    share = f"greatest(load_kg / {RATED_KG}, 0)"

    def child(code):
        return [samples / cpu([sys.executable, "-c", code])[0] / 1e6 for _ in range(RUNS)]

    by_polars = (
        f"import polars as p\ns = (p.col('load_kg') / {RATED_KG}).clip(0)\n"
        f"f = p.scan_csv({str(path)!r}, try_parse_dates=True).filter((p.col('raising') == 1) | (p.col('lowering') == 1))\n"
        "print(f.group_by((s * 10).floor().clip(0, 11).alias('b')).agg(p.len(), (s * s * s).sum(), p.col('time').max()).collect())"
    )
    by_duckdb = (
        "import duckdb\n"
        f"print(duckdb.sql(\"select least(floor({share} * 10), 11) b, count(*), sum({share} * {share} * {share}), max(time)"
        f" from read_csv('{path}') where {running} group by b\").fetchall())"
    )
    figures = [
        ours,
        Figure("polars, bands and km only", child(by_polars), "M rows/CPU-s"),
        Figure("DuckDB, bands and km only", child(by_duckdb), "M rows/CPU-s"),
    ]
    table.group("CSV", figures, ("at least 12", ours.median >= 12))
    table.goal(f"memory under 64 MB, here {memory:.0f}", memory < 64)
