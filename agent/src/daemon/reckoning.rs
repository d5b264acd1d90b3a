//! What of the configuration touches the reckoning: a change of it is an entry in the ledger's chain.

use std::collections::BTreeMap;

use serde_json::{Value, json};
use tallyhook_analysis::load::{self, Curve, Lead};
use tallyhook_analysis::units::Grams;
use tallyhook_config::model::{Crane, Mechanism, On, RawType, Signal};

use crate::store::Reckoning;

/// Everything of a mechanism that lifts, hours, S or D depend on, by the configuration's names.
pub fn of(crane: &Crane, mechanism: &Mechanism) -> Reckoning {
    let spec = &mechanism.spec;
    let terms = mechanism.terms();
    let lift = &spec.lift;
    let mut values: BTreeMap<String, Value> = BTreeMap::new();
    let mut put = |name: &str, value: Value| values.insert(name.to_owned(), value);
    put("crane", json!(crane.id));
    put("crane_group", json!(crane.group));
    put("kind", json!(mechanism.kind.name()));
    put("group", json!(mechanism.group));
    put("design_full_load_hours", json!(terms.design_full_load_hours));
    put("rated_load_kg", json!(spec.rated.as_kg()));
    put("dead_load_kg", json!(spec.dead_load.as_kg()));
    put("signal_contains_dead_load", json!(spec.gross_signal));
    put("budget_rated_load_kg", json!(mechanism.budget_rated.map(|rated| rated.as_kg())));
    put("recording_scale", json!(terms.scale));
    put("prior", json!(terms.prior));
    put("design_spectrum_limit", json!(terms.design_spectrum));
    put("unread_spectrum", json!(terms.unread_spectrum));
    put("stale_after_ms", json!(spec.stale_after.as_ms()));
    put("lift.begin_kg", json!(lift.begin.as_kg()));
    put("lift.end_kg", json!(lift.end.as_kg()));
    put("lift.confirm_load_ms", json!(lift.confirm_load.as_ms()));
    put("lift.confirm_empty_ms", json!(lift.confirm_empty.as_ms()));
    put("lift.settle_ms", json!(lift.settle.as_ms()));
    put("lift.bridge_ms", json!(lift.bridge.as_ms()));
    put("lift.overload_margin_kg", json!(lift.overload_margin.as_kg()));
    for (name, value) in of_load(&mechanism.load) {
        put(&format!("load.{name}"), value);
    }
    for signal in &mechanism.signals {
        put(&format!("signal.{}", signal.target.name()), of_signal(signal));
    }
    Reckoning(values)
}

/// Where the load comes from. A load signal that is booked as it is read says nothing here.
fn of_load(load: &load::Terms) -> Vec<(&'static str, Value)> {
    let mut values = Vec::new();
    values.extend(load.correct_zero.map(|bound| ("correct_zero_percent", json!(bound as f64 / 10.0))));
    if load.passes() {
        return values;
    }
    values.push(("leads", json!(load.lead)));
    values.push(("settled", json!(true)));
    let Some(calibration) = load.calibration.as_ref().filter(|_| load.lead == Lead::Torque) else { return values };
    let points = |curve: &Curve| -> Vec<Value> {
        let point = |&(pct, load): &(i64, Grams)| json!({ "pct": pct as f64 / 1000.0, "kg": load.as_kg() });
        curve.points().iter().map(point).collect()
    };
    values.push(("raising", json!(points(&calibration.raising))));
    values.push(("lowering", json!(points(&calibration.lowering))));
    values.push(("min_speed_percent", json!(calibration.min_speed as f64 / 1000.0)));
    values.push(("max_slope_percent_s", json!(calibration.max_slope as f64 / 1000.0)));
    values.push(("settle_ms", json!(calibration.settle.as_ms())));
    values
}

fn of_signal(signal: &Signal) -> Value {
    let on = match &signal.on {
        On::Set => json!("set"),
        On::Differs { mask } => json!({ "mask": mask }),
        On::Matches { mask, values } => json!({ "mask": mask, "values": values }),
        On::Above(limit) => json!({ "above": limit.to_string() }),
        On::Below(limit) => json!({ "below": limit.to_string() }),
    };
    let bit = if let RawType::Bit(bit) = signal.register.raw { Some(bit) } else { None };
    json!({
        "bit": bit,
        "drive": signal.drive,
        "table": signal.register.table.name(),
        "address": signal.register.address,
        "type": signal.register.raw.name(),
        "word_order": signal.register.raw.order().map(|order| order.name()),
        "byte_order": signal.register.bytes.name(),
        "mask": signal.mask,
        "invalid": signal.invalid,
        "scale": signal.scale.to_string(),
        "offset": signal.offset.to_string(),
        "on": on,
        "inverted": signal.inverted,
    })
}
