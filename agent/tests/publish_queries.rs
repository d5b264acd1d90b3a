//! The queries of `deploy/queries`, asked of a VictoriaMetrics that the program's own writes have filled: what it reads
//! back is what was told, and each answer is reckoned here by hand.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test fails by panicking")]

mod teller;

use std::collections::BTreeMap;
use std::net::{TcpListener, TcpStream};
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::time::Duration;

use serde_json::Value;
use tallyhook::clock::Clock;
use tallyhook::figures::{self, Forecast, Record, SiteFigures};
use tallyhook::publish::outbox::MemoryOutbox;
use tallyhook_analysis::units::{Span, Timestamp};
use tallyhook_config::model::{Config, Influx, Mechanism, Precision};
use teller::{Teller, lift, site, warning};

const HOUR_MS: i64 = 3_600_000;

/// A VictoriaMetrics of its own; killed when it goes out of scope.
struct Series {
    port: u16,
    child: Child,
    _data: tempfile::TempDir,
}

impl Series {
    fn start() -> Self {
        let data = tempfile::tempdir().unwrap();
        let port = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
        let mut child = Command::new("victoria-metrics")
            .arg(format!("-storageDataPath={}", data.path().display()))
            .arg(format!("-httpListenAddr=127.0.0.1:{port}"))
            .args(["-retentionPeriod=100y", "-search.latencyOffset=0s"])
            .stderr(Stdio::null())
            .spawn()
            .expect("victoria-metrics is missing: tests/run installs it");
        for _ in 0..1000 {
            assert!(child.try_wait().unwrap().is_none(), "victoria-metrics ended at once: is port {port} taken?");
            if TcpStream::connect(("127.0.0.1", port)).is_ok() {
                return Series { port, child, _data: data };
            }
            std::thread::park_timeout(Duration::from_millis(10));
        }
        panic!("victoria-metrics does not answer on port {port}");
    }

    async fn get(&self, path: &str, parameters: &[(&str, &str)]) -> String {
        let url =
            reqwest::Url::parse_with_params(&format!("http://127.0.0.1:{}{path}", self.port), parameters).unwrap();
        let client = reqwest::Client::builder().tls_certs_only([]).build().unwrap();
        client.get(url).send().await.unwrap().text().await.unwrap()
    }

    /// All values of a metric, by their times.
    async fn all_of(&self, metric: &str) -> BTreeMap<i64, Vec<f64>> {
        let text = self.get("/api/v1/export", &[("match[]", metric)]).await;
        let mut found: BTreeMap<i64, Vec<f64>> = BTreeMap::new();
        for line in text.lines() {
            let series: Value = serde_json::from_str(line).unwrap();
            let list = |name: &str| series[name].as_array().unwrap().clone();
            for (at, value) in list("timestamps").iter().zip(list("values")) {
                found.entry(at.as_i64().unwrap()).or_default().push(value.as_f64().unwrap());
            }
        }
        found
    }

    /// The answer to a query of `deploy/queries`, in its order: one label's value and the number.
    async fn answer(&self, query: &str, label: &str) -> Vec<(String, f64)> {
        let text = self.get("/api/v1/query", &[("query", query)]).await;
        let answer: Value = serde_json::from_str(&text).unwrap();
        assert_eq!(answer["status"], "success", "{answer}");
        let one = |row: &Value| {
            let number = row["value"][1].as_str().unwrap().parse().unwrap();
            (row["metric"][label].as_str().unwrap_or("").to_owned(), number)
        };
        answer["data"]["result"].as_array().unwrap().iter().map(one).collect()
    }

    /// How many rows the server did not take; its own counters prove little, but they must not move.
    async fn not_taken(&self) -> String {
        let metrics = self.get("/metrics", &[]).await;
        let lines =
            metrics.lines().filter(|l| l.starts_with("vm_rows_invalid_total") || l.starts_with("vm_rows_ignored"));
        lines.filter(|l| !l.ends_with(" 0")).collect::<Vec<_>>().join("\n")
    }
}

impl Drop for Series {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn fed(port: u16, mechanisms: &[&str]) -> Config {
    let mut config = site();
    let hoist = config.cranes[0].mechanisms[0].clone();
    config.cranes[0].mechanisms =
        mechanisms.iter().map(|id| Mechanism { id: (*id).to_owned(), ..hoist.clone() }).collect();
    config.influx = Some(Influx {
        url: format!("http://127.0.0.1:{port}"),
        org: "plant".to_owned(),
        bucket: "cranes".to_owned(),
        token_file: None,
        tls: Default::default(),
        precision: Precision::Ms,
        batch: 100,
        timeout: Span::from_ms(10_000),
        health_every: Span::from_ms(HOUR_MS),
        from_start: false,
    });
    config
}

/// New points take about a second before they can be read.
async fn until<T>(what: &str, mut ready: impl AsyncFnMut() -> Option<T>) -> T {
    let clock = Clock::system();
    for _ in 0..150 {
        if let Some(found) = ready().await {
            return found;
        }
        clock.sleep(Span::from_ms(200)).await;
    }
    panic!("{what} did not come within 30 s");
}

#[tokio::test(flavor = "multi_thread")]
async fn what_a_real_server_reads_back_is_what_was_told() {
    let series = Series::start();
    let outbox = MemoryOutbox::default();
    let teller = Teller::start(fed(series.port, &["main-hoist"]), &outbox, &Clock::system());
    let count = 1_500;
    (0..count).for_each(|n| outbox.push(lift(n)));
    outbox.push(warning("w1"));
    teller.delivered("influx", count as u64 + 1).await;
    let loads = until("the last lift", async || {
        Some(series.all_of("crane_lift_load_kg").await).filter(|found| found.len() == count)
    })
    .await;
    assert!(loads.values().all(|values| values.len() == 1), "a time has two values");
    for n in 0..count {
        assert_eq!(loads[&lift(n).at.as_ms()], [n as f64], "lift {n}");
    }
    let seconds: f64 = series.all_of("crane_lift_running_seconds").await.values().flatten().sum();
    assert_eq!(seconds, 12.25 * count as f64);
    assert_eq!(series.all_of("crane_warning_value").await.into_values().collect::<Vec<_>>(), [[0.81]]);
    assert!(!series.all_of("crane_recorder_uptime_seconds").await.is_empty());
    assert_eq!(series.not_taken().await, "");
    teller.stop().await;
}

/// Two hoists over 49 hours. Hoist `a` runs 0.5 h an hour in band 3 and starts 30 times an hour, but 120 times in one;
/// hoist `b` runs 0.25 h an hour in band 7 and does not start.
#[tokio::test(flavor = "multi_thread")]
async fn the_ready_queries_give_the_figures_reckoned_by_hand() {
    let series = Series::start();
    let config = fed(series.port, &["a", "b"]);
    let teller = Teller::start(config.clone(), &MemoryOutbox::default(), &Clock::system());
    teller.wait("the first word of its health", |t| t.health("influx").last_ok.is_some()).await;
    let now = Clock::system().now().wall.as_ms().div_euclid(HOUR_MS) * HOUR_MS;
    let hours = 48;
    for n in 0..=hours {
        let at = Timestamp::from_ms(now - (hours - n) * HOUR_MS + 1_000);
        let figures: SiteFigures = figures::of_site(&config, |mechanism| {
            let mut record = Record { counted_to: Some(at), ..Record::default() };
            let totals = &mut record.totals;
            let (band, part, end) = if mechanism.id == "a" { (3, 2, 22_000) } else { (7, 4, 21_000) };
            totals.running_ms = (n * HOUR_MS / part) as u64;
            totals.band_ms[band] = totals.running_ms;
            if mechanism.id == "a" {
                totals.starts = (30 * n + if n >= 20 { 90 } else { 0 }) as u64;
            } else {
                // The full load all the time: 16,000,000 g cubed.
                totals.cube_ms = 16_000_000_u128.pow(3) * totals.running_ms as u128;
            }
            record.forecast = Some(Forecast::of_days(end - 100, Some(end), None));
            record
        });
        // One write an hour of the record, which the board shows as taken before the next hour comes.
        let mut board = teller.board.watch();
        board.borrow_and_update();
        teller.figures.send_replace(Arc::new(figures));
        tokio::time::timeout(Duration::from_secs(10), board.changed()).await.expect("the hour is written").unwrap();
    }
    until("the last hour", async || {
        (series.all_of("crane_use_running_hours").await.len() as i64 == hours + 1).then_some(())
    })
    .await;
    let query = |name: &str| {
        let path = format!("{}/../deploy/queries/{name}.promql", env!("CARGO_MANIFEST_DIR"));
        std::fs::read_to_string(path).unwrap()
    };
    let owned = |rows: &[(&str, f64)]| -> Vec<(String, f64)> {
        rows.iter().map(|(label, number)| ((*label).to_owned(), *number)).collect()
    };
    // b: 48 h × 0.25 at full load are 12 of the 1600 full-load hours of M5.
    assert_eq!(series.answer(&query("used_share"), "mechanism").await, owned(&[("b", 12.0 / 1600.0), ("a", 0.0)]));
    let ends = owned(&[("b", 21_000.0 * 86_400.0), ("a", 22_000.0 * 86_400.0)]);
    assert_eq!(series.answer(&query("end_dates"), "mechanism").await, ends);
    let mut spectrum = series.answer(&query("month_spectrum"), "band").await;
    spectrum.retain(|(_, hours)| *hours > 0.0);
    spectrum.sort_by(|one, other| one.0.cmp(&other.0));
    assert_eq!(spectrum, owned(&[("030-040", 24.0), ("070-080", 12.0)]));
    // a: 120 starts in its busiest hour, half of the 240 that FEM 9.683 gives for M5 (2m).
    let starts = series.answer(&query("starts_per_hour"), "mechanism").await;
    assert_eq!(starts.iter().find(|row| row.0 == "a").unwrap().1, 0.5);
    assert_eq!(starts.iter().find(|row| row.0 == "b").unwrap().1, 0.0);
    assert_eq!(series.not_taken().await, "");
    teller.stop().await;
}
