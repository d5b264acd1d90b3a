//! What must be in the ledger, and have reached broker and server, when the weeks are over.

use std::collections::BTreeSet;

use serde_json::Value;

use crate::site::{BEGIN_MS, COMMIT_EVERY_MS, HOISTS, RATED_KG, Site};
use crate::work::{DAY_MS, HOUR_MS};

/// A lift of the ledger, in milliseconds since the first morning.
#[derive(Debug)]
struct Booked {
    begin_ms: i64,
    end_ms: i64,
    load_kg: f64,
}

fn ms(value: &Value) -> i64 {
    value.as_str().unwrap().parse::<jiff::Timestamp>().unwrap().as_millisecond() - BEGIN_MS
}

fn lifts(site: &Site, hoist: usize) -> Vec<Value> {
    let id = format!("hoist-{hoist}");
    site.cabinet.run(&["lifts", "--data", "data", "--mechanism", &id, "--json"]).json().as_array().unwrap().clone()
}

/// Waits until everything that is stored has been told; says how much that is.
pub fn told(site: &mut Site) -> String {
    let (mut all, mut heard_twice) = (0, 0);
    for hoist in 0..HOISTS {
        let stored: BTreeSet<String> =
            lifts(site, hoist).iter().map(|lift| lift["begin"].as_str().unwrap().to_owned()).collect();
        let topic = format!("tallyhook/yard-1/hoist-{hoist}/lift ");
        let heard = |site: &mut Site| -> Vec<String> {
            let payloads = site.heard().iter().filter_map(|line| line.strip_prefix(&topic));
            let parsed = payloads.map(|text| serde_json::from_str::<Value>(text).unwrap());
            parsed.map(|lift| lift["begin"].as_str().unwrap().to_owned()).collect()
        };
        site.wait(|site| {
            let told: BTreeSet<String> = heard(site).into_iter().collect();
            let some = |of: BTreeSet<&String>| format!("{} ({:?} …)", of.len(), of.iter().take(5).collect::<Vec<_>>());
            let (less, more) = (stored.difference(&told).collect(), told.difference(&stored).collect());
            (stored != told).then(|| {
                let (less, more) = (some(less), some(more));
                format!("lifts of hoist {hoist} that are stored and did not come to the broker: {less}; the other way: {more}")
            })
        });
        let metric = format!("crane_lift_load_kg%7Bmechanism%3D%22hoist-{hoist}%22%7D");
        site.wait(|site| {
            let (told, stored) = (site.series.all_of(&metric).len(), stored.len());
            (told != stored).then(|| format!("the server has {told} lifts of hoist {hoist}, stored are {stored}"))
        });
        all += stored.len();
        heard_twice += heard(site).len() - stored.len();
    }
    format!("{all} lifts stored and told to broker ({heard_twice} twice) and server")
}

/// Days that are over and in whose shifts nobody died, held to the plan's sums; gives how many of a hoist there are.
pub fn days(site: &Site, days: i64) -> usize {
    let mut exact = 0;
    for hoist in 0..HOISTS {
        let over = site.page(&format!("/api/v1/mechanisms/hoist-{hoist}/days"));
        for day in 0..days {
            let date = jiff::Timestamp::from_millisecond(BEGIN_MS + day * DAY_MS).unwrap().to_string();
            let found = over.as_array().unwrap().iter().find(|d| date.starts_with(d["date"].as_str().unwrap()));
            let found = found.unwrap_or_else(|| panic!("{date} of hoist {hoist} is missing: {over}"));
            // The night before and the night after are no work; but whoever dies in the evening takes along what had not
            // been committed, which while a hoist stands may wait five times as long as while it runs.
            if site.is_cut(day * DAY_MS, day * DAY_MS + 16 * HOUR_MS + 5 * COMMIT_EVERY_MS) {
                continue;
            }
            let due = site.drives.work(hoist).sums(day, RATED_KG);
            let near = |field: &str, due: f64| (found[field].as_f64().unwrap() - due).abs() < 1e-9;
            assert!(
                found["lifts"] == due.lifts
                    && near("running_hours", due.running_ms as f64 / HOUR_MS as f64)
                    && near("full_load_hours", due.full_load_hours),
                "hoist {hoist}, {date}: {due:?} was done, booked is {found}; gaps are {}",
                site.page(&format!("/api/v1/mechanisms/hoist-{hoist}/gaps"))
            );
            exact += 1;
        }
    }
    assert!(exact >= HOISTS * (days / 3) as usize, "{exact} days of a hoist without a death in them");
    exact
}

/// Everything that must hold of the whole.
pub fn holds(site: &Site, days: i64) -> String {
    let proof = site.cabinet.run(&["verify", "--data", "data", "--json"]).json();
    assert_eq!(proof["ok"], true, "{proof}");
    let status = site.cabinet.run(&["status", "--data", "data", "--json"]).json();
    let (mut planned, mut booked, mut cut, mut beside, mut allowed) = (0, 0, 0, 0.0_f64, 0.0_f64);
    for hoist in 0..HOISTS {
        let found: Vec<Booked> = lifts(site, hoist)
            .iter()
            .map(|l| Booked {
                begin_ms: ms(&l["begin"]),
                end_ms: ms(&l["end"]),
                load_kg: l["load_kg"].as_f64().unwrap(),
            })
            .collect();
        let work = site.drives.work(hoist);
        for lift in &found {
            let here = work.lifts.iter().filter(|p| {
                site.dated(p.begin_ms) <= lift.end_ms && lift.begin_ms <= site.dated(p.end_ms) + site.stale_ms
            });
            let loads: Vec<f64> = here.map(|p| p.load_kg as f64).collect();
            // Over a silence two lifts of like loads (a tenth of rated) count as one, with a load between them.
            let below = loads.iter().copied().filter(|load| *load <= lift.load_kg).fold(f64::NAN, f64::max);
            let above = loads.iter().copied().filter(|load| *load >= lift.load_kg).fold(f64::NAN, f64::min);
            let bridged = site.is_cut(lift.begin_ms, lift.end_ms) && above - below <= RATED_KG as f64 / 10.0;
            assert!(
                loads.contains(&lift.load_kg) || bridged,
                "hoist {hoist}: {lift:?} was booked, lifted were {loads:?} kg then; somebody died in {:?}",
                site.cut
            );
        }
        for p in &work.lifts {
            if site.is_cut(p.begin_ms, p.end_ms) {
                cut += 1;
                continue;
            }
            let (begin, end) = (site.dated(p.begin_ms), site.dated(p.end_ms));
            let here: Vec<_> = found.iter().filter(|l| l.begin_ms <= end && begin <= l.end_ms).collect();
            assert!(
                here.len() == 1 && here[0].load_kg == p.load_kg as f64 && here[0].begin_ms == begin,
                "hoist {hoist}: {p:?} is booked as {here:?}; somebody died in {:?}",
                site.cut
            );
        }
        planned += work.lifts.len();
        booked += found.len();

        let hoist = &status["mechanisms"][hoist];
        let number = |field: &str| hoist[field].as_f64().unwrap();
        assert_eq!(number("lifts") as usize, found.len(), "{hoist:#}");
        let of_gaps = hoist["periods"].as_array().unwrap().iter().filter(|p| p["kind"] == "gap");
        let of_gaps: f64 = of_gaps.map(|p| p["running_hours"].as_f64().unwrap()).sum();
        let ran = (number("running_hours") + of_gaps) * 3600.0;
        let done = work.at(days * DAY_MS);
        let off = (ran - done.ran_ms as f64 / 1000.0).abs();
        // Where somebody died: the last sample stands for up to its limit, whatever the drive did then.
        let open = site.cut.len() as f64 * site.stale_ms as f64 / 1000.0;
        assert!(off <= open && number("gap_waiting_hours") == 0.0, "{off} s beside the plan: {hoist:#}");
        let starts = number("starts") + number("gap_starts");
        assert!(
            (starts - done.starts as f64).abs() <= site.cut.len() as f64,
            "{starts} starts, {} by the plan: {hoist:#}",
            done.starts
        );
        (beside, allowed) = (beside.max(off), open);
    }
    assert!(cut <= site.cut.len() * HOISTS * 4, "{cut} lifts lay where somebody died");
    format!(
        "{planned} lifts planned, {booked} booked, {cut} lay within {} s of a death, all others are booked once, with \
         their load, from their beginning; running time in record and gaps together at most {beside:.0} s beside the plan \
         ({allowed:.0} s allowed)",
        (COMMIT_EVERY_MS + site.stale_ms) / 1000
    )
}

/// A lift's row takes at most that (`agent/src/store/tests.rs`), bytes.
const LIFT_ROW: usize = 64;
/// A message's row beside what is told of it: number, time and identifier, and that again in an index, less what is
/// added when it is told. Measured.
const MESSAGE_ROW: usize = 30;
/// An hour of a mechanism in which something moved: eight numbers and the day.
const HOUR_ROW: usize = 64;
/// A day of a mechanism: sums, histograms and what seals it in the chain.
const DAY_ROWS: usize = 6_000;
/// Tables and indexes before anything is in them, and the accounts' states. Measured.
const EMPTY: usize = 45_000;

/// The ledger's size against what its rows must take.
pub fn size(site: &mut Site, days: i64) -> String {
    let bytes = std::fs::metadata(site.cabinet.path().join("data/ledger.sqlite3")).unwrap().len() as usize;
    let told: BTreeSet<&str> = site.heard().iter().filter_map(|line| line.split_once(' ')).map(|(_, p)| p).collect();
    let told = (told.len(), told.iter().map(|payload| payload.len()).sum::<usize>());
    let lifts: usize = (0..HOISTS).map(|hoist| lifts(site, hoist).len()).sum();
    let days = days as usize * HOISTS;
    let rows = lifts * LIFT_ROW + told.0 * MESSAGE_ROW + told.1 + days * (16 * HOUR_ROW + DAY_ROWS);
    let reckoned = rows + EMPTY;
    let text = format!(
        "ledger of {bytes} bytes for {lifts} lifts and {} messages of {} bytes; reckoned {reckoned} bytes",
        told.0, told.1
    );
    assert!((bytes as f64 / reckoned as f64 - 1.0).abs() < 0.15, "{text}");
    text
}
