//! How a drive's own counter counts: its width, its step, where it begins again.

use tallyhook_analysis::counter::Counter;
use tallyhook_analysis::sample::Quantity;

use crate::model::{Rational, RawType, Target};
use crate::raw::{Given, Table};
use crate::signal::outside_per;

/// How a counter counts whose register goes up to `greatest`; `Some(None)` for a signal that is no counter.
pub(crate) fn counter(
    table: &Table<'_>,
    target: Target,
    raw: Option<RawType>,
    greatest: Option<i128>,
    scale: Rational,
) -> Option<Option<Counter>> {
    let quantity = match target {
        Target::Quantity(quantity @ (Quantity::RunHours | Quantity::Starts)) => quantity,
        _ => return none(table, target).then_some(None),
    };
    let (bits, step) = (table.whole("counter_bits"), table.number("counter_step"));
    if table.has("counter_bits") && bits.is_none() || table.has("counter_step") && step.is_none() {
        return None;
    }
    raw?;
    if scale.num() < 0 {
        table.faults.wrong(
            table.place("scale"),
            format!("`{}` counts up, but its `scale` is below 0", target.name()),
            "write how many units one raw step is, for example 1",
        );
        return None;
    }
    let one = scale.to_f64() * quantity.per_outside_unit();
    let rolls_at = match bits {
        Some(Given { value: 0, .. }) => None,
        Some(bits) => Some(f64::from(bits.value).exp2()),
        None => greatest.map(|greatest| greatest as f64 + 1.0),
    };
    // An end that no sample can show is none.
    let rolls_at = rolls_at.map(|raw| (raw * one).round()).filter(|end| *end >= 1.0 && *end <= 53_f64.exp2());
    let step = match step {
        Some(step) => {
            let unit = table.has("unit").then(|| table.choice("unit")).flatten();
            let per_unit = unit.and_then(|unit| outside_per(quantity, unit.value, None)).unwrap_or(Rational::ONE);
            step.value * per_unit.to_f64() * quantity.per_outside_unit()
        }
        None => one,
    };
    let plain = match quantity {
        Quantity::Starts => Counter::starts(0),
        _ => Counter::hours(0, 1),
    };
    Some(Some(Counter { rolls_at: rolls_at.map(|end| end as i64), step: (step.round() as i64).max(1), ..plain }))
}

/// Whether a signal that is no counter has none of a counter's keys.
fn none(table: &Table<'_>, target: Target) -> bool {
    let mut fits = true;
    for key in ["counter_bits", "counter_step"].into_iter().filter(|key| table.has(key)) {
        table.faults.wrong(
            table.place(key),
            format!("`{}` has `{key}`, but is no counter", target.name()),
            format!("take `{key}` out; it belongs to `run_hours` and `starts`"),
        );
        fits = false;
    }
    fits
}
