//! `/metrics`: the figures for a metrics server, in OpenMetrics 1.0 where that is asked for, otherwise in the Prometheus
//! text format 0.0.4. Both are made from one table.

use std::fmt::Write as _;
use std::sync::Arc;

use axum::extract::State;
use axum::http::HeaderMap;
use axum::http::header::{ACCEPT, CONTENT_TYPE};
use axum::response::{IntoResponse, Response};

use super::Shared;
use super::moments::{age, parse};
use crate::drive::DriveFigures;
use crate::figures::{MechanismFigures, SiteFigures};
use tallyhook_analysis::units::Timestamp;

/// Type of a metric.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Kind {
    Gauge,
    Counter,
}

/// Name, kind, help and value of each metric of a mechanism; `None` where it is not known.
type Metric = (&'static str, Kind, &'static str, fn(&MechanismFigures) -> Option<f64>);

const MECHANISM: [Metric; 12] = [
    ("tallyhook_used_ratio", Kind::Gauge, "Used share S/D of the safe working period, FEM 9.755.", |f| {
        Some(f.consumed)
    }),
    (
        "tallyhook_used_full_load_seconds",
        Kind::Gauge,
        "S, full-load time of the working period; 3600 a full-load hour.",
        |f| Some(f.used_full_load_hours * 3600.0),
    ),
    ("tallyhook_design_full_load_seconds", Kind::Gauge, "D, full-load time; 3600 a full-load hour.", |f| {
        Some(f.design_full_load_hours * 3600.0)
    }),
    ("tallyhook_load_spectrum_factor", Kind::Gauge, "km by running time, cubic, ISO 4301-1:1986.", |f| {
        f.load_spectrum_factor
    }),
    ("tallyhook_running_seconds", Kind::Counter, "Running time since the record began.", |f| {
        Some(f.running_hours * 3600.0)
    }),
    ("tallyhook_starts", Kind::Counter, "Starts since the record began.", |f| Some(f.starts as f64)),
    ("tallyhook_lifts", Kind::Counter, "Lifts since the record began.", |f| Some(f.lifts as f64)),
    ("tallyhook_overload_lifts", Kind::Counter, "Lifts above the rated load since the record began.", |f| {
        Some(f.overload_lifts as f64)
    }),
    ("tallyhook_gap_seconds", Kind::Counter, "Time without a record since it began.", |f| Some(f.gap_hours * 3600.0)),
    ("tallyhook_observed_seconds", Kind::Counter, "Time with a record since it began.", |f| {
        Some(f.observed_hours * 3600.0)
    }),
    ("tallyhook_starts_last_hour", Kind::Gauge, "Starts of the hour that ends now.", |f| {
        Some(f.motor_duty.starts_last_hour as f64)
    }),
    ("tallyhook_parts_due", Kind::Gauge, "Wearing parts and inspections that are due.", |f| {
        Some(f.parts.iter().filter(|p| p.due).count() as f64)
    }),
];

/// `/metrics`.
pub async fn metrics(State(shared): State<Arc<Shared>>, headers: HeaderMap) -> Response {
    let open =
        headers.get(ACCEPT).and_then(|a| a.to_str().ok()).is_some_and(|a| a.contains("application/openmetrics-text"));
    let (figures, drives) = (shared.figures.borrow().clone(), shared.drives.borrow().clone());
    let text = render(&figures, &drives, shared.clock.now().wall, open);
    let kind = if open {
        "application/openmetrics-text; version=1.0.0; charset=utf-8"
    } else {
        "text/plain; version=0.0.4; charset=utf-8"
    };
    ([(CONTENT_TYPE, kind)], text).into_response()
}

fn render(figures: &SiteFigures, drives: &[DriveFigures], now: Timestamp, open: bool) -> String {
    let mut out = String::new();
    // A counter's family has its suffix in the older format only.
    let head = |out: &mut String, name: &str, kind: Kind, help: &str| {
        let suffix = if kind == Kind::Counter && !open { "_total" } else { "" };
        let word = if kind == Kind::Counter { "counter" } else { "gauge" };
        let _ = writeln!(out, "# HELP {name}{suffix} {help}\n# TYPE {name}{suffix} {word}");
    };
    for (name, kind, help, value) in MECHANISM {
        head(&mut out, name, kind, help);
        let suffix = if kind == Kind::Counter { "_total" } else { "" };
        for f in &figures.mechanisms {
            if let Some(value) = value(f).filter(|v| v.is_finite()) {
                // Identifiers are letters, digits, `-` and `_`: there is nothing to escape.
                let _ = writeln!(out, "{name}{suffix}{{crane=\"{}\",mechanism=\"{}\"}} {value:?}", f.crane, f.id);
            }
        }
    }
    head(&mut out, "tallyhook_record_age_seconds", Kind::Gauge, "Age of the last counted instant.");
    for f in &figures.mechanisms {
        if let Some(to) = f.record_to.as_deref().and_then(parse) {
            let age = age(now, to).as_seconds();
            let _ =
                writeln!(out, "tallyhook_record_age_seconds{{crane=\"{}\",mechanism=\"{}\"}} {age:?}", f.crane, f.id);
        }
    }
    head(&mut out, "tallyhook_drive_online", Kind::Gauge, "1 while the drive answers, otherwise 0.");
    for d in drives {
        let online = u8::from(matches!(d.state.as_str(), "online" | "exception" | "implausible"));
        let _ = writeln!(out, "tallyhook_drive_online{{drive=\"{}\"}} {online}", d.drive);
    }
    for (name, help, value) in [
        (
            "tallyhook_drive_polls",
            "Polls of the drive since the program started.",
            (|d| d.polls) as fn(&DriveFigures) -> u64,
        ),
        ("tallyhook_drive_failures", "Polls without an answer since the program started.", |d| d.failures),
    ] {
        head(&mut out, name, Kind::Counter, help);
        for d in drives {
            let _ = writeln!(out, "{name}_total{{drive=\"{}\"}} {}", d.drive, value(d));
        }
    }
    if open {
        out.push_str("# EOF\n");
    }
    out
}
