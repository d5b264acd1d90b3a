//! The OpenAPI document of `/api/v1`. Written by hand; the tests ask every path that is in it and hold the answers
//! against its schemas.

use serde_json::{Map, Value, json};

fn number(what: &str) -> Value {
    json!({"type": "number", "description": what})
}

fn maybe(mut schema: Value) -> Value {
    if let Some(word) = schema["type"].as_str().map(str::to_owned) {
        schema["type"] = json!([word, "null"]);
        return schema;
    }
    json!({"anyOf": [schema, {"type": "null"}]})
}

fn whole(what: &str) -> Value {
    json!({"type": "integer", "minimum": 0, "description": what})
}

fn text(what: &str) -> Value {
    json!({"type": "string", "description": what})
}

fn instant(what: &str) -> Value {
    json!({"type": "string", "format": "date-time", "description": what})
}

fn date(what: &str) -> Value {
    json!({"type": "string", "format": "date", "description": what})
}

fn flag(what: &str) -> Value {
    json!({"type": "boolean", "description": what})
}

fn list(of: Value) -> Value {
    json!({"type": "array", "items": of})
}

fn named(name: &str) -> Value {
    json!({"$ref": format!("#/components/schemas/{name}")})
}

/// An object all of whose fields are always there; more may come in a later version.
fn object<const N: usize>(fields: [(&str, Value); N]) -> Value {
    let required: Vec<&str> = fields.iter().map(|f| f.0).collect();
    let required = json!(required);
    let properties: Map<String, Value> = fields.into_iter().map(|(name, schema)| (name.to_owned(), schema)).collect();
    json!({"type": "object", "properties": properties, "required": required})
}

/// The document.
pub fn document() -> Value {
    let lift = object([
        ("begin", instant("Load onto the hook.")),
        ("end", instant("Load off the hook.")),
        ("load_kg", number("Settled load, kg.")),
        ("fraction", number("Settled load over rated load.")),
        ("peak_kg", number("Highest reading, kg.")),
        ("peak_factor", maybe(number("Highest reading over settled load; null for a light load."))),
        ("running_seconds", number("Running time with the load, s.")),
        ("starts", whole("Running edges.")),
        ("band", whole("Index of the load band.")),
        ("overload", flag("Above the rated load.")),
        ("cut", flag("The record broke off meanwhile.")),
        (
            "load_uncertainty_kg",
            maybe(number("Standard uncertainty of the settled load, kg; null where not reckoned.")),
        ),
    ]);
    let band = object([
        ("from", number("Lower edge, fraction of the rated load.")),
        ("to", maybe(number("Upper edge; null for the open band."))),
        ("running_hours", number("h")),
        ("lifts", whole("Lifts.")),
    ]);
    let mechanism = object([
        ("id", text("Identifier.")),
        ("crane", text("Identifier of its crane.")),
        ("kind", json!({"enum": ["hoist", "traverse", "travel"]})),
        ("group", text("Design group, ISO 4301-1:1986.")),
        ("rated_load_kg", number("kg")),
        ("budget_rated_load_kg", number("Rated load that S and D are full-load hours of, kg.")),
        ("running_hours", number("h")),
        ("starts", whole("Running edges.")),
        ("lifts", whole("Lifts ended.")),
        ("overload_lifts", whole("Lifts above the rated load.")),
        ("load_spectrum_factor", maybe(number("km, cubic, by running time, ISO 4301-1:1986."))),
        ("state_of_loading", maybe(text("Class of km."))),
        ("full_load_hours", number("Measured part, h.")),
        ("prior_full_load_hours", number("h")),
        ("gap_full_load_hours", number("h")),
        ("used_full_load_hours", number("S, h, FEM 9.755.")),
        ("design_full_load_hours", number("D, h.")),
        ("consumed", number("S/D.")),
        ("load_uncertainty_kg", number("Mean standard uncertainty of the loads of the period's lifts, kg.")),
        ("load_spectrum_factor_low", maybe(number("Least that km may be."))),
        ("load_spectrum_factor_high", maybe(number("Greatest that km may be."))),
        ("used_share_low", number("Least that S/D may be.")),
        ("used_share_high", number("Greatest that S/D may be.")),
        ("remaining_full_load_hours", number("D - S, h.")),
        ("remaining_at_rated_load_hours", number("D - S in full-load hours of the present rated load, h.")),
        ("group_in_use", maybe(text("Null with too little record; the highest group where none holds it."))),
        ("spectrum", list(named("Band"))),
        ("forecast", maybe(named("Forecast"))),
        ("period_began", maybe(date("First day of the present working period."))),
        ("periods", list(json!({"type": "object"}))),
        ("closed_periods", list(json!({"type": "object"}))),
        ("dynamics", json!({"type": "object"})),
        ("motor_duty", json!({"type": "object"})),
        ("severity", json!({"type": "object"})),
        ("parts", list(json!({"type": "object"}))),
        ("gap_waiting_hours", number("Gaps that are not in S yet, h.")),
        ("gap_starts", whole("Starts in gaps that the drive's counter told.")),
        ("gap_hours", number("Time without a record, h.")),
        ("observed_hours", number("Time with a record, h.")),
        ("load_unknown_hours", number("h")),
        ("record_from", maybe(instant("The first sample."))),
        ("record_to", maybe(instant("Up to when time has been counted."))),
        ("gap_since", maybe(instant("Since when the running state has not been known."))),
        ("hanging_since", maybe(instant("Since when a load has been hanging."))),
    ]);
    let answer = object([
        ("rated_load_kg", number("kg")),
        ("used_share", number("S/D.")),
        ("remaining_full_load_hours", number("h of that rated load.")),
        ("full_load_hours_a_year", number("h of that rated load.")),
        ("running_hours_a_year", number("h")),
        ("load_spectrum_factor", maybe(number("km on that rated load."))),
        ("lifts_a_year", number("Lifts.")),
        ("overload_lifts_a_year", number("Lifts.")),
        ("refused_lifts_a_year", number("Lifts.")),
        ("moved_full_load_hours_a_year", number("h")),
        ("group_in_use", maybe(text("Null with too little record; the highest group where none holds it."))),
        ("forecast", maybe(named("Forecast"))),
        ("no_forecast", maybe(text("Why there is none."))),
        ("chance_by_the_day", maybe(number("0 to 1."))),
    ]);
    let day = object([
        ("date", date("The site's day.")),
        ("observed_hours", number("h")),
        ("gap_hours", number("h")),
        ("running_hours", number("h")),
        ("full_load_hours", number("h, measured.")),
        ("load_spectrum_factor", maybe(number("km of the day."))),
        ("lifts", whole("Lifts.")),
        ("overload_lifts", whole("Lifts.")),
        ("starts", whole("Starts.")),
        ("worst_starts_in_an_hour", whole("Starts in the worst sliding hour.")),
        ("worst_cyclic_duration_10min_percent", number("%")),
        ("worst_cyclic_duration_hour_percent", number("%")),
        ("used_full_load_hours", number("S at the day's end, h.")),
    ]);
    let drive = object([
        ("drive", text("Its name.")),
        ("state", text("How the link stands.")),
        ("words", text("The same in words.")),
        ("since", instant("Since when.")),
        ("fault", maybe(text("What the drive says is wrong with it."))),
        ("last_answer", maybe(instant("When it last answered."))),
        ("polls", whole("Polls.")),
        ("failures", whole("Polls without an answer.")),
        ("refusals", whole("Polls with a refusal.")),
        ("implausible", whole("Polls with an impossible value.")),
        ("clock_jumps", whole("How often the clock was put right.")),
        ("clock", maybe(text("The last time of these."))),
        (
            "signals",
            list(object([
                ("mechanism", text("Identifier.")),
                ("signal", text("Its name, with its unit.")),
                ("table", text("holding, input, coil or discrete.")),
                ("address", whole("Address.")),
                ("raw", list(whole("A word as the device gave it at the last poll."))),
                ("value", maybe(number("Decoded; 1 and 0 for on and off."))),
                ("read_at", maybe(instant("When it was last read with a value."))),
            ])),
        ),
    ]);
    let trouble =
        object([("since", instant("Since when.")), ("what", text("What is wrong.")), ("mend", text("What mends it."))]);
    let destination = object([
        ("trouble", maybe(named("Trouble"))),
        ("last_ok", maybe(instant("When it last took something."))),
        ("failures", whole("Tries that failed.")),
        ("parked", whole("Messages left out.")),
        (
            "last_parked",
            maybe(object([
                ("id", text("The message.")),
                ("at", instant("When it was left out.")),
                ("why", text("What the destination said.")),
                ("mend", text("What mends it.")),
            ])),
        ),
        ("forgot", maybe(named("Trouble"))),
        ("dropped", whole("Messages that the bounds dropped before it had got them.")),
    ]);
    let schemas = json!({
        "Error": object([("error", text("What is wrong with the question, and its mend."))]),
        "Lift": lift,
        "Band": band,
        "Forecast": object([
            ("date_p10", date("10 % chance before.")),
            ("date_p50", maybe(date("As likely before as after."))),
            ("date_p90", maybe(date("90 % chance before."))),
        ]),
        "Mechanism": mechanism,
        "Crane": object([
            ("id", text("Identifier.")),
            ("name", text("Name.")),
            ("lifts", whole("Lifts since the record began.")),
            ("prior_lifts", whole("Lifts before that, as the configuration has them.")),
            ("load_spectrum_factor", maybe(number("Kp by lifts on record."))),
            ("state_of_loading", maybe(text("Class of Kp."))),
            ("class_of_utilization", text("Class of all lifts, those before the record too.")),
            ("group", text("Design group.")),
            ("group_in_use", maybe(text("Null with too little record; the highest group where none holds it."))),
            ("consumed", number("Full-load cycles used over those of the group.")),
        ]),
        "Site": object([
            ("mechanisms", list(named("Mechanism"))),
            ("crane", maybe(named("Crane"))),
            ("cranes", list(named("Crane"))),
        ("drives", list(named("Drive"))),
            ("edition", text("The edition behind classes and groups.")),
            ("caution", text("What these figures are not.")),
        ]),
        "Day": day,
        "Hour": object([
            ("begin", instant("Begin.")),
            ("end", instant("End.")),
            ("running_hours", number("h")),
            ("gap_hours", number("h")),
            ("full_load_hours", number("h")),
            ("starts", whole("Starts.")),
            ("lifts", whole("Lifts.")),
        ]),
        "Spectrum": object([
            ("from", maybe(date("First day with a record."))),
            ("to", maybe(date("Last day with a record."))),
            ("running_hours", number("h")),
            ("lifts", whole("Lifts.")),
            ("load_spectrum_factor", maybe(number("km"))),
            ("state_of_loading", maybe(text("Class of km."))),
            ("bands", list(named("Band"))),
        ]),
        "Gap": object([("begin", instant("Begin.")), ("end", instant("End.")), ("hours", number("h"))]),
        "Message": object([
            ("id", text("The same for the same event.")),
            ("at", instant("When.")),
            ("kind", json!({"enum": ["warning", "finding"]})),
            ("crane", text("Identifier.")),
            ("mechanism", text("Identifier.")),
            ("text", text("In words.")),
            ("body", json!({"type": "object"})),
        ]),
        "Service": object([
            ("number", whole("Number.")),
            ("recorded", instant("When it was recorded.")),
            ("taken", maybe(instant("When the books took it."))),
            ("by", text("Who says so.")),
            ("note", text("A word on it.")),
            ("work", json!({"type": "object"})),
        ]),
        "Answer": answer,
        "WhatIf": object([
            ("mechanism", text("Identifier.")),
            ("days_of_record", number("Days.")),
            ("record_from", date("First day.")),
            ("record_to", date("Last day.")),
            ("now", named("Answer")),
            ("then", named("Answer")),
            ("caution", text("What these figures are not.")),
        ]),
        "Drive": drive,
        "Trouble": trouble,
        "Destination": destination,
    });
    json!({
        "openapi": "3.1.0",
        "info": {
            "title": "Tallyhook",
            "version": env!("CARGO_PKG_VERSION"),
            "description": "Figures of a crane's use. Read only. Loads kg, times h, fractions 0 to 1, at full precision.",
        },
        "paths": paths(),
        "components": {"schemas": schemas},
    })
}

fn answer(schema: Value) -> Value {
    json!({"description": "Done.", "content": {"application/json": {"schema": schema}}})
}

fn refusal(what: &str) -> Value {
    json!({"description": what, "content": {"application/json": {"schema": named("Error")}}})
}

fn parameter(name: &str, what: &str, schema: Value) -> Value {
    json!({"name": name, "in": "query", "required": false, "description": what, "schema": schema})
}

/// A path of a mechanism.
fn of_mechanism(what: &str, schema: Value, mut parameters: Vec<Value>, stored: bool) -> Value {
    let asks = !parameters.is_empty();
    parameters.push(json!({
        "name": "id", "in": "path", "required": true, "description": "Identifier of the mechanism.",
        "schema": {"type": "string", "pattern": "^[A-Za-z0-9_-]{1,64}$"},
    }));
    let mut responses = json!({"200": answer(schema), "404": refusal("There is no such mechanism.")});
    if asks {
        responses["400"] = refusal("The question cannot be read.");
    }
    if stored {
        responses["503"] = refusal("The store cannot be read at present.");
    }
    json!({"get": {"summary": what, "parameters": parameters, "responses": responses}})
}

fn paths() -> Value {
    let plain = |what: &str, schema: Value| json!({"get": {"summary": what, "responses": {"200": answer(schema)}}});
    let day = || json!({"type": "string", "format": "date"});
    let days = || vec![parameter("from", "First day.", day()), parameter("to", "Last day.", day())];
    let at = || json!({"type": "string", "format": "date-time"});
    let limit = || parameter("limit", "The newest so many.", json!({"type": "integer", "minimum": 1, "maximum": 1000}));
    let percent = |most: u32| json!({"type": "number", "minimum": 0, "maximum": most});
    let mut whatif = of_mechanism(
        "What would follow from another rating, group or amount of work.",
        named("WhatIf"),
        vec![
            parameter(
                "rated_load_kg",
                "Another rated load, kg.",
                json!({"type": "number", "minimum": 1, "maximum": 500_000}),
            ),
            parameter("above", "What becomes of loads above it.", json!({"enum": ["lifted", "split", "refused"]})),
            parameter("group", "Another group.", json!({"enum": ["M1", "M2", "M3", "M4", "M5", "M6", "M7", "M8"]})),
            parameter("lifts_percent", "Lifts, per cent of now.", percent(10_000)),
            parameter("moved_percent", "Work that another crane takes over, per cent.", percent(100)),
            parameter("from", "Only the record from this day on.", day()),
            parameter("to", "Only the record up to and with this day.", day()),
            parameter("by", "Also the chance that it is used up by this day.", day()),
        ],
        true,
    );
    whatif["get"]["responses"]["409"] = refusal("There is no record in that time to rest on.");
    json!({
        "/api/v1/openapi.json": plain("This document.", json!({"type": "object"})),
        "/api/v1/status": plain("The site's figures, as `status --json`.", named("Site")),
        "/api/v1/mechanisms": plain("All mechanisms, the most used first.", list(named("Mechanism"))),
        "/api/v1/drives": plain("How the drives' links stand and what was read last.", list(named("Drive"))),
        "/api/v1/destinations": plain(
            "How each destination stands, by its name.",
            json!({"type": "object", "additionalProperties": named("Destination")}),
        ),
        "/api/v1/mechanisms/{id}": of_mechanism("One mechanism.", named("Mechanism"), vec![], false),
        "/api/v1/mechanisms/{id}/lifts": of_mechanism(
            "The newest lifts, newest first.", list(named("Lift")),
            vec![limit(), parameter("before", "Only those that began before.", at())], true,
        ),
        "/api/v1/mechanisms/{id}/days": of_mechanism("Days that are over.", list(named("Day")), days(), true),
        "/api/v1/mechanisms/{id}/hours": of_mechanism(
            "Hours that had something in them.", list(named("Hour")),
            vec![parameter("from", "That began then or later.", at()), parameter("to", "That began before.", at())], true,
        ),
        "/api/v1/mechanisms/{id}/spectrum": of_mechanism("The load spectrum of a time.", named("Spectrum"), days(), true),
        "/api/v1/mechanisms/{id}/gaps": of_mechanism("The newest gaps.", list(named("Gap")), vec![limit()], true),
        "/api/v1/mechanisms/{id}/messages":
            of_mechanism("The newest warnings and findings.", list(named("Message")), vec![limit()], true),
        "/api/v1/mechanisms/{id}/services": of_mechanism("Services, oldest first.", list(named("Service")), vec![], true),
        "/api/v1/mechanisms/{id}/whatif": whatif,
    })
}
