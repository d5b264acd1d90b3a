//! Findings of the load signal's own health, in words, each with what to check.

use serde_json::{Value, json};
use tallyhook_analysis::load::Lead;
use tallyhook_analysis::load::health::{Finding, NOISE, Note, STARTS};
use tallyhook_analysis::units::Grams;

/// The body of the message that tells of a finding.
pub fn body(note: &Note, rated: Grams) -> Value {
    let mut body = json!({
        "finding": note.finding.code(),
        "text": text(note, rated),
        "raised": note.raised,
        "by_kg": note.by.as_kg(),
    });
    if note.raised {
        body["check"] = check(note).into();
    }
    body
}

/// What is seen.
fn text(note: &Note, rated: Grams) -> String {
    let signal = match note.signal {
        Lead::Cell => "the load signal",
        Lead::Torque => "the load from the torque",
    };
    let percent = note.by.fraction_of(rated) * 100.0;
    let kg = note.by.as_kg().round();
    match (note.finding, note.raised) {
        (Finding::ZeroDrift, true) => {
            format!("{signal} of the empty hook has crept by {kg} kg ({percent:.1} % of rated) from where it began")
        }
        (Finding::ZeroDrift, false) => format!("{signal} of the empty hook is back where it began"),
        (Finding::Step, true) => format!("{signal} of the empty hook has jumped by {kg} kg ({percent:.1} % of rated)"),
        (Finding::Step, false) => format!("{signal} of the empty hook has jumped back"),
        (Finding::Stuck, true) => format!("{signal} stands at {kg} kg whatever the hoist does"),
        (Finding::Stuck, false) => format!("{signal} moves again"),
        (Finding::Sign, true) => format!("{signal} falls to {kg} kg when a load is taken up"),
        (Finding::Sign, false) => format!("{signal} rises with the load again"),
        (Finding::Noise, true) => format!(
            "{signal} scatters by {kg} kg ({percent:.1} % of rated) where nothing moves; {} % is the bound",
            NOISE / 10
        ),
        (Finding::Noise, false) => format!("{signal} is quiet again"),
        (Finding::NeverChanges, true) => {
            format!("{signal} has stayed about {kg} kg through {STARTS} runs up and as many down")
        }
        (Finding::NeverChanges, false) => format!("{signal} changes again"),
        (Finding::Disagrees, true) => {
            let than = if kg < 0.0 { "less" } else { "more" };
            format!("the load signal reads {} kg ({:.1} % of rated) {than} than the torque", kg.abs(), percent.abs())
        }
        (Finding::ZeroCorrected, true) => format!(
            "the zero has drifted: {kg} kg ({percent:.1} % of rated) are taken off {signal} before it is booked, as the \
             configuration allows"
        ),
        (Finding::NotRead, true) => format!("{signal} is not read while the hoist runs: what it lifts is not known"),
        (Finding::NotRead, false) => format!("{signal} is read again"),
        (Finding::ZeroCorrected, false) => format!("{signal} is booked as it is read again"),
        (Finding::Disagrees, false) => "load signal and torque agree again".to_owned(),
    }
}

/// What to look at.
const fn check(note: &Note) -> &'static str {
    match (note.finding, note.signal) {
        (Finding::ZeroDrift, Lead::Cell) => {
            "read the display with the empty hook hanging free; check the cell's mounting, dirt and water in its plugs, \
             and what hangs on the hook for good; then set zero anew"
        }
        (Finding::ZeroDrift, Lead::Torque) => {
            "check the brake for dragging and the gearbox for oil and cold; if both are well, calibrate anew"
        }
        (Finding::NotRead, Lead::Cell) => {
            "check the cell's cable, plug and amplifier, and what the panel's display shows; where the view of the drive shows a \
             value that is impossible, check `type`, `word_order` and `scale` of `load_kg`. Till then running time is booked at \
             the mechanism's `unread_spectrum_factor`"
        }
        (Finding::NotRead, Lead::Torque) => {
            "check that the drive still answers for `torque_pct`, and its `type` and `scale`. Till then running time is booked \
             at the mechanism's `unread_spectrum_factor`"
        }
        (Finding::ZeroCorrected, _) => {
            "a drift goes on until its cause is found: check the cell's mounting, dirt and water in its plugs; set zero anew, \
             and the correction ends by itself"
        }
        (Finding::Step, Lead::Cell) => {
            "was another hook block or attachment put on, or zero set with something on the hook? If not, check the cell \
             for overload and its mounting for play"
        }
        (Finding::Step, Lead::Torque) => {
            "was the drive, the motor or the rope changed, or another attachment put on? Then calibrate anew; check the \
             brake for dragging"
        }
        (Finding::Stuck, Lead::Cell) => {
            "check the cell's plug and cable, its amplifier, and that the panel still reads it"
        }
        (Finding::Stuck, Lead::Torque) => "check that the drive's torque is still mapped to the register that is read",
        (Finding::Sign, Lead::Cell) => {
            "check the cell's wires for two that were swapped, and `scale` and `type` of `load_kg`"
        }
        (Finding::Sign, Lead::Torque) => {
            "check the motor's and the encoder's sense of rotation, and `scale` and `type` of `torque_pct`"
        }
        (Finding::Noise, Lead::Cell) => {
            "check the cable's screen and its earth, the way it is laid beside motor cables, and the plugs"
        }
        (Finding::Noise, Lead::Torque) => {
            "check the encoder and its cable, the drive's tuning, and the filter time of the torque that is read"
        }
        (Finding::NeverChanges, _) => {
            "if loads were lifted, the register read is not the load, or the cell is bridged: compare it with the panel's \
             display while a load hangs"
        }
        (Finding::Disagrees, _) => {
            "lift a known weight and see which of the two is right; check the cell's span and zero, the brake for \
             dragging, and calibrate the torque anew"
        }
    }
}
