"""Reads the exports of a store with readers that are not ours, and prints what they found as one JSON document.

usage: read_exports.py DIRECTORY     with lifts, days, spectrum, findings, ledger and samples in .csv and .parquet
"""

import hashlib
import json
import sys

import duckdb
import pandas

home = sys.argv[1]
found = {"duckdb": {}, "pandas": {}, "types": {}}

for form in ("csv", "parquet"):

    def one(question, form=form):
        """The first row of an answer; `NAME!` stands for an export."""
        for name in ("lifts", "days", "spectrum", "findings", "ledger", "samples"):
            place = f"'{home}/{name}.{form}'"
            source = f"read_csv({place}, header = true, auto_detect = true)" if form == "csv" else f"read_parquet({place})"
            question = question.replace(f"{name}!", source)
        return duckdb.sql(question).fetchall()

    lifts = one("SELECT count(*), sum(CAST(overload AS INT)), sum(starts), sum(load_kg), min(\"begin\")::VARCHAR FROM lifts!")[0]
    days = one("SELECT sum(running_hours), sum(starts), sum(lifts), sum(observed_hours), sum(gap_hours) FROM days!")[0]
    bands = one("SELECT band_from, sum(running_hours), sum(lifts)::BIGINT FROM spectrum! GROUP BY band_from ORDER BY band_from")
    told = one("SELECT kind, count(*) FROM findings! GROUP BY kind ORDER BY kind")
    found["duckdb"][form] = {
        "lifts": [float(x) for x in lifts[:4]],
        "first_lift": lifts[4],
        "days": [float(x) for x in days],
        "bands": [[float(x) for x in row] for row in bands],
        "told": dict(told),
        "told_without_words": one("SELECT count(*) FROM findings! WHERE coalesce(text, '') = ''")[0][0],
        "samples": one("SELECT count(*), sum(load_kg) FROM samples!")[0],
    }

for name in ("lifts", "days", "spectrum", "findings", "ledger", "samples"):
    rows = duckdb.sql(f"DESCRIBE SELECT * FROM read_parquet('{home}/{name}.parquet')").fetchall()
    found["types"][name] = {row[0]: row[1] for row in rows}

lifts = pandas.read_parquet(f"{home}/lifts.parquet")
days = pandas.read_parquet(f"{home}/days.parquet")
found["pandas"] = {
    "lifts": len(lifts),
    "overload_lifts": int(lifts["overload"].sum()),
    "running_seconds": float(lifts["running_seconds"].sum()),
    "running_seconds_of_csv": float(pandas.read_csv(f"{home}/lifts.csv")["running_seconds"].sum()),
    "running_hours": float(days["running_hours"].sum()),
    "lifts_of_days": int(days["lifts"].sum()),
    "first_lift": lifts["begin"].min().isoformat(),
}

# The chain, walked from the export alone: the form of an entry's hash is in the store's README.
ledger = pandas.read_parquet(f"{home}/ledger.parquet")
before = "0" * 64
sound = 0
for row in ledger.itertuples():
    head = f"tallyhook ledger entry, form 1\n{row.mechanism}\n{row.entry}\n{row.kind}\n{row.at_ms}\n{before}\n"
    digest = hashlib.sha256(head.encode() + row.body.encode()).hexdigest()
    if row.previous != before or row.hash != digest:
        break
    before = digest
    sound += 1
found["chain"] = {"entries": len(ledger), "sound": sound, "anchor": before}

print(json.dumps(found))
