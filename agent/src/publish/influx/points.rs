//! What is written: measurements, tags and fields. The README of `publish` is their contract; a name here is as fixed
//! as a topic, and so is a field's type.

use serde_json::Value;
use tallyhook_analysis::duty::DutyLimit;
use tallyhook_analysis::units::Timestamp;

use super::line::Point;
use crate::figures::MechanismFigures;
use crate::publish::health::Destinations;
use crate::store::message::{Message, MessageKind};

/// Fields of a body that are numbers.
const LIFT_FLOATS: &[&str] = &["load_kg", "fraction", "peak_kg", "running_seconds", "load_uncertainty_kg"];
const DAY_FLOATS: &[&str] = &[
    "running_hours",
    "full_load_hours",
    "load_spectrum_factor",
    "gap_hours",
    "worst_cyclic_duration_10min_percent",
    "worst_cyclic_duration_hour_percent",
];
const WARNING_FLOATS: &[&str] =
    &["value", "used_full_load_hours", "design_full_load_hours", "load_kg", "rated_load_kg"];
/// Fields of a body that are counts; `true` counts as 1.
const LIFT_COUNTS: &[&str] = &["starts", "band", "overload", "cut"];
const DAY_COUNTS: &[&str] = &["lifts", "overload_lifts", "starts", "worst_starts_in_an_hour"];
const WARNING_COUNTS: &[&str] = &["raised"];

/// A message as a point, at its own time.
pub fn of_message(message: &Message) -> Point {
    let body = &message.body;
    let point = |measurement| {
        Point::new(measurement, message.at).tag("crane", &message.crane).tag("mechanism", &message.mechanism)
    };
    match message.kind {
        MessageKind::Lift => with(point("crane_lift"), body, LIFT_FLOATS, LIFT_COUNTS),
        MessageKind::Day => with(point("crane_day"), body, DAY_FLOATS, DAY_COUNTS),
        MessageKind::Warning => {
            let quantity = body["quantity"].as_str().unwrap_or("unknown");
            // Two levels may be crossed by one sample: the level tells them apart. An overload has but one, the rated
            // load.
            let overload = quantity == "overload";
            let level = if overload { Some(1.0) } else { body["level"].as_f64() };
            let point = point("crane_warning").tag("quantity", quantity);
            let point = point.tag("part", body["part"].as_str().unwrap_or(""));
            let point = level.map_or(point.clone(), |level| point.tag("level", &level.to_string()));
            let point = if overload { point.float_if("value", body["fraction"].as_f64()) } else { point };
            with(point, body, WARNING_FLOATS, WARNING_COUNTS)
        }
        MessageKind::Finding => {
            let name = body["finding"].as_str().unwrap_or("unknown");
            let text = body["text"].as_str().unwrap_or(name);
            let of = body["drive"].as_str().or(body["counter"].as_str()).unwrap_or("");
            let raised = count(&body["raised"]).unwrap_or(1);
            point("crane_finding").tag("finding", name).tag("of", of).whole("raised", raised).text("text", text)
        }
    }
}

fn with(point: Point, body: &Value, floats: &[&'static str], counts: &[&'static str]) -> Point {
    let point = floats.iter().fold(point, |point, &name| point.float_if(name, body[name].as_f64()));
    counts.iter().fold(point, |point, &name| point.whole_if(name, count(&body[name])))
}

fn count(value: &Value) -> Option<i64> {
    value.as_i64().or(value.as_bool().map(i64::from))
}

/// The figures of a mechanism at `at`, the end of what they count: its use and its spectrum, as sums since the record
/// began, so that the use of any span is a difference.
pub fn of_figures(figures: &MechanismFigures, at: Timestamp) -> Vec<Point> {
    let point = |measurement| Point::new(measurement, at).tag("crane", &figures.crane).tag("mechanism", &figures.id);
    let date = |date: Option<&str>| {
        let date: jiff::civil::Date = date?.parse().ok()?;
        Some(i64::from(crate::figures::day_number(date)) * 86_400)
    };
    let forecast = figures.forecast.as_ref();
    let mut points = vec![
        point("crane_use")
            .tag("group", figures.group.name())
            .float("consumed", figures.consumed)
            .float("used_full_load_hours", figures.used_full_load_hours)
            .float("design_full_load_hours", figures.design_full_load_hours)
            .float("running_hours", figures.running_hours)
            .float("observed_hours", figures.observed_hours)
            .float("gap_hours", figures.gap_hours)
            .float_if("load_spectrum_factor", figures.load_spectrum_factor)
            .whole("starts", clamped(figures.starts))
            .whole_if("starts_per_hour_limit", DutyLimit::of(figures.group).map(|l| i64::from(l.starts_per_hour)))
            .whole("lifts", clamped(figures.lifts))
            .whole("overload_lifts", clamped(figures.overload_lifts))
            .whole_if("end_p10_seconds", date(forecast.map(|f| f.date_p10.as_str())))
            .whole_if("end_p50_seconds", date(forecast.and_then(|f| f.date_p50.as_deref())))
            .whole_if("end_p90_seconds", date(forecast.and_then(|f| f.date_p90.as_deref()))),
    ];
    let duty = &figures.motor_duty;
    points.push(
        point("crane_duty")
            .whole("starts_last_hour", clamped(duty.starts_last_hour))
            .whole("worst_starts_in_an_hour", clamped(duty.worst_starts_in_an_hour))
            .whole("short_runs", clamped(duty.short_runs))
            .float_if("mean_run_seconds", duty.mean_run_seconds)
            .float("worst_cyclic_duration_10min_percent", duty.worst_cyclic_duration_10min_percent)
            .float("worst_cyclic_duration_hour_percent", duty.worst_cyclic_duration_hour_percent),
    );
    points.extend(figures.parts.iter().map(|part| {
        point("crane_part").tag("part", &part.name).float("share", part.share).whole("due", i64::from(part.due))
    }));
    points.extend(figures.spectrum.iter().map(|band| {
        point("crane_spectrum")
            .tag("band", &band_name(band.from, band.to))
            .float("running_hours", band.running_hours)
            .whole("lifts", clamped(band.lifts))
    }));
    points
}

/// A band by its edges in percent of the rated load, in three digits so that names sort as bands do: `010-020`.
fn band_name(from: f64, to: Option<f64>) -> String {
    let percent = |edge: f64| format!("{:03.0}", edge * 100.0);
    format!("{}-{}", percent(from), to.map_or("over".to_owned(), percent))
}

/// How the recorder itself stands.
pub struct OwnHealth<'a> {
    /// The site's name.
    pub site: &'a str,
    /// Now.
    pub at: Timestamp,
    /// Since the program started, seconds.
    pub uptime_seconds: f64,
    /// The number of the last message stored.
    pub stored: u64,
    /// Messages that this destination has not got yet.
    pub waiting: u64,
    /// How the destinations stand.
    pub destinations: &'a Destinations,
}

/// The recorder's own health as a point.
pub fn of_health(health: &OwnHealth<'_>) -> Point {
    let destinations = health.destinations.values();
    let in_trouble = destinations.clone().filter(|d| d.trouble.is_some()).count();
    Point::new("crane_recorder", health.at)
        .tag("site", health.site)
        .float("uptime_seconds", health.uptime_seconds)
        .whole("messages_stored", clamped(health.stored))
        .whole("messages_waiting", clamped(health.waiting))
        .whole("messages_parked", clamped(destinations.map(|d| d.parked).sum()))
        .whole("destinations_in_trouble", clamped(in_trouble as u64))
}

fn clamped(count: u64) -> i64 {
    i64::try_from(count).unwrap_or(i64::MAX)
}

#[cfg(test)]
mod tests {
    use serde_json::json;
    use tallyhook_config::model::Precision;

    use super::*;
    use crate::publish::wording::tests::message;

    fn line(kind: MessageKind, body: Value) -> String {
        of_message(&message(kind, body)).line(Precision::Ms).unwrap()
    }

    #[test]
    fn each_kind_has_its_measurement_tags_and_types() {
        let lift = json!({"begin": "2025-06-15T15:00:00.000Z", "load_kg": 8000.0, "fraction": 0.5, "peak_kg": 8100,
                          "running_seconds": 12.5, "starts": 3, "band": 4, "overload": false, "cut": true});
        assert_eq!(
            line(MessageKind::Lift, lift),
            "crane_lift,crane=yard-1,mechanism=main-hoist load_kg=8000,fraction=0.5,peak_kg=8100,running_seconds=12.5,\
             starts=3i,band=4i,overload=0i,cut=1i 1750000000000"
        );
        let day = json!({"day": "2025-06-15", "running_hours": 2, "load_spectrum_factor": null, "lifts": 12});
        assert_eq!(
            line(MessageKind::Day, day),
            "crane_day,crane=yard-1,mechanism=main-hoist running_hours=2,lifts=12i 1750000000000"
        );
        let used = json!({"quantity": "used_share", "level": 0.9, "value": 0.9004, "raised": true, "group": "M5"});
        assert_eq!(
            line(MessageKind::Warning, used),
            "crane_warning,crane=yard-1,mechanism=main-hoist,quantity=used_share,level=0.9 value=0.9004,raised=1i \
             1750000000000"
        );
        let over = json!({"quantity": "overload", "fraction": 1.08, "load_kg": 17280.0, "raised": true});
        assert_eq!(
            line(MessageKind::Warning, over),
            "crane_warning,crane=yard-1,mechanism=main-hoist,quantity=overload,level=1 value=1.08,load_kg=17280,\
             raised=1i 1750000000000"
        );
        let silent = json!({"finding": "drive_silent", "text": "Drive \"main\" is silent."});
        let over = json!({"finding": "silence", "drive": "main", "raised": false, "text": "It answers again."});
        assert_eq!(
            line(MessageKind::Finding, over),
            "crane_finding,crane=yard-1,mechanism=main-hoist,finding=silence,of=main raised=0i,\
             text=\"It answers again.\" 1750000000000"
        );
        let part = json!({"quantity": "part", "part": "rope", "level": 0.9, "value": 0.91, "raised": true});
        assert_eq!(
            line(MessageKind::Warning, part),
            "crane_warning,crane=yard-1,mechanism=main-hoist,quantity=part,part=rope,level=0.9 value=0.91,raised=1i \
             1750000000000"
        );
        assert_eq!(
            line(MessageKind::Finding, silent),
            r#"crane_finding,crane=yard-1,mechanism=main-hoist,finding=drive_silent raised=1i,text="Drive \"main\" is silent." 1750000000000"#
        );
    }

    #[test]
    fn bands_sort_by_their_names() {
        assert_eq!(band_name(0.1, Some(0.2)), "010-020");
        assert_eq!(band_name(1.0, None), "100-over");
    }
}
