//! Every sentence and label of the page. A translation is one more `static` of type [`Wording`]: the compiler asks for
//! each entry. `{name}` is a place that [`fill`] fills.

macro_rules! wording {
    ($($(#[$about:meta])* $name:ident: $english:literal,)+) => {
        /// The page's words in one language.
        pub struct Wording { $($(#[$about])* pub $name: &'static str,)+ }

        /// English.
        pub static ENGLISH: Wording = Wording { $($name: $english,)+ };

        #[cfg(test)]
        impl Wording {
            /// All entries with their names.
            pub fn entries(&self) -> Vec<(&'static str, &'static str)> {
                vec![$((stringify!($name), self.$name),)+]
            }
        }
    };
}

wording! {
    language: "en",
    product: "Tallyhook",
    skip_to_content: "To the figures",
    all_mechanisms: "All mechanisms",
    as_of: "As of",
    site: "Site",
    time_zone: "Times in",
    edition: "Classes and groups",
    how_reckoned: "How this is reckoned",
    not_known: "not known",
    none_yet: "none yet",

    not_found_title: "No such page",
    not_found: "There is nothing at this address.",
    no_such_mechanism: "The configuration of this site has no mechanism “{id}”.",
    not_for_this_name: "This page answers only to the machine's own name (localhost or its loopback address).",
    only_get: "This page only shows. It takes GET and HEAD, nothing else.",
    history_unreadable: "The stored history cannot be read at present; the reason is in the daemon's log. The figures above do not depend on it.",
    too_many_readers: "Too many pages listen already. Close some.",
    bad_limit: "`limit` is a whole number from 1 to {most}.",
    bad_before: "`before` is an instant in RFC 3339, such as 2026-03-09T06:00:00Z.",
    bad_query: "The question mark's part of the address cannot be read. It may hold `limit` and `before`.",

    crane: "Crane",
    mechanism: "Mechanism",
    kind_hoist: "hoist",
    kind_traverse: "traverse",
    kind_travel: "travel",
    rated_load: "Rated load",
    group: "Group",
    group_text: "{iso} (FEM 9.511: {fem})",
    group_basis: "bought for; {edition}",
    used_share: "Used share",
    used_share_long: "Used share S/D",
    used_share_basis: "of the safe working period, FEM 9.755",
    used_words: "{share} used: {used} h of {design} full-load hours",
    left_words: "{left} full-load hours left",
    over_words: "exceeded by {over} full-load hours",
    levels_none_set: "No warn level is set.",
    levels_below: "Below the first warn level, {next}.",
    levels_between: "Has reached the warn level {level}; the next is {next}.",
    levels_above: "Has reached the highest warn level, {level}.",
    bar_description: "Bar from 0 to {top} of D: {share} used. Warn levels at {levels}.",
    bar_description_plain: "Bar from 0 to {top} of D: {share} used.",
    spectrum_factor: "Load spectrum factor km",
    spectrum_factor_short: "km",
    spectrum_factor_basis: "state of loading {class}; cubic, by running time; {edition}",
    spectrum_class: "{km} ({class})",
    running_hours: "Running time T",
    running_hours_basis: "hoisting and lowering, since the record began",
    starts: "Starts",
    starts_basis: "running edges, since the record began",
    lifts: "Lifts",
    lifts_basis: "since the record began; {overload} above the rated load",
    group_in_use: "Group in use",
    group_in_use_basis: "that ten years of such use would need; our rule on {edition}",
    too_little_record: "too little record",
    too_little_record_long: "Said after four weeks of record.",
    forecast: "Used up about",
    forecast_edge: "{chance} before {date}",
    forecast_beyond: "beyond 30 years",
    forecast_basis: "as likely before as after; S = D, FEM 9.755",
    forecast_none: "no forecast yet",
    record: "Record",
    hours_unit: "h",

    state_none: "no sample yet",
    state_reading: "reading; last reading {age} ago",
    state_no_answer: "no answer since {since} ({age})",
    state_old: "no reading since {since} ({age})",
    banner_none: "{id}: no sample has been read yet. The figures hold nothing but prior use.",
    banner_since: "{id}: no reading since {since} ({age}). What is shown is of that time; nothing has been counted since.",
    banner_lost: "This page has lost touch with the recorder. What is shown is old. It tries again by itself.",
    hanging_since: "A load has been on the hook since {since}.",

    site_title: "Mechanisms of this site",
    destinations_title: "Who is told",
    destination: "Destination",
    destination_state: "State",
    destination_since: "Since",
    destination_left_out: "Left out",
    destination_well: "takes what it is sent; last time:",
    destination_untried: "nothing sent yet",
    destination_trouble: "Not told:",
    cranes_title: "Cranes as a whole",
    crane_cycles: "Lifts (cycles C)",
    crane_factor: "Load spectrum factor Kp",
    crane_class: "Class of utilization",
    crane_used: "Used share of full-load cycles",
    crane_note: "Kp = Σ (Pᵢ/P)³ / C over the lifts C, P the rated load of the strongest hoist; classes and groups by {edition}. Used share: full-load cycles, Kp · C and prior use, over those of the group (C · Kp is constant along a diagonal of the group table; our arithmetic on its tables 1 to 3).",
    no_mechanisms: "The configuration names no mechanism.",

    figures_title: "Figures",
    on_this_page: "On this page",
    used_title: "Full-load hours used",
    used_caption: "Full-load hours S over time, with prior use and recording factors (FEM 9.755), against the design line: D spread evenly over ten years from the beginning of the record, the basis of FEM 9.755. Where the curve is steeper than the design line, life goes faster than it was bought for. Thin lines: warn levels.",
    used_caption_forecast: "Hatched: where S will reach D, between the dates of 10 % and 90 % chance.",
    used_alt: "Line chart. S was {start} h at {from} and is {now} h at {to}; D is {design} h.",
    used_now_line: "S {used} h",
    used_design_line: "design line",
    used_axis_hours: "full-load hours",
    used_axis_date: "date",
    used_level_line: "warn {level}",
    used_limit_line: "D = {design} h",
    used_forecast_line: "forecast",
    used_table: "The same by month",
    month: "Month",
    month_running: "Running time, h",
    month_full_load: "Full-load hours S of the month, h",
    month_used_end: "S at its end, h",
    month_lifts: "Lifts",
    used_no_days: "No day has been recorded yet.",

    spectrum_title: "Load spectrum",
    spectrum_caption: "Load over rated load, and the share of running time with at least that load. The load lies in the hatched height of each step (bands of a tenth of the rated load). Thin lines: the constant load that has the limit of a state of loading as its km, ∛km = 0.50 (L1), 0.63 (L2), 0.79 (L3), 1.00 (L4), {edition}. Heavy dashes: the constant load that has this spectrum's km.",
    spectrum_alt: "Stepped diagram, load over rated load against share of running time. The constant load with the same km is {k} of the rated load. The table holds the numbers.",
    spectrum_axis_load: "load / rated load",
    spectrum_axis_share: "share of running time, %",
    spectrum_own: "∛km = {k}",
    spectrum_empty: "No running time with a known load has been recorded yet.",
    spectrum_table: "Running time and lifts by load band",
    band: "Load, % of rated",
    band_load: "Load, {unit}",
    band_range: "{from} to {to}",
    band_above: "above {from}",
    band_hours: "Running time, h",
    band_share: "Share, %",
    band_lifts: "Lifts",
    sum: "Sum",
    band_note: "An edge belongs to the band below it. Running time by the load at each moment, lifts by their settled load.",
    band_note_dead: "Bands are of load with dead load over rated load with dead load ({base}), FEM 9.511.",
    load_unknown_note: "{hours} h of running time had no load reading; they are in no band and stand under “Periods”.",

    latest_lifts_title: "Latest lifts",
    lift_begin: "Begin",
    lift_lasted: "Lasted",
    lift_load: "Load, {unit}",
    lift_fraction: "% of rated",
    lift_peak: "Peak, {unit}",
    lift_running: "Running, s",
    lift_starts: "Starts",
    lift_note: "Note",
    lift_overload: "above rated",
    lift_cut: "record broke off",
    lifts_none: "No lift has been recorded yet.",
    lifts_caption: "The newest {n}. Load: settled value, without dead load; peak: highest reading. One lift is one hoisting cycle, from load on the hook to load off, however often it is raised or left hanging.",
    lifts_more: "More as JSON",

    periods_title: "Periods that make up S",
    periods_caption: "S = Σ km · T · f (FEM 9.755). f weighs the quality of the record.",
    period_kind: "What",
    period_measured: "measured",
    period_load_not_read: "running, load not read",
    period_gap: "gap in the record",
    period_prior: "before the recorder",
    period_recording: "Recorded by",
    recording_recorder: "automatic recorder",
    recording_counter: "hours counter, loads written down",
    recording_estimated: "estimate",
    recording_documented_process: "estimate, documented process (4.2 c)",
    recording_documented_production: "estimate, documented production (4.2 d)",
    recording_undocumented: "estimate, undocumented (4.2 e)",
    recording_unknown: "history unknown (4.2 f)",
    period_scale: "Scale of f",
    period_hours: "T, h",
    period_km: "km",
    period_factor: "f",
    period_used: "km · T · f, h",
    period_note: "Note",
    periods_none: "No part yet: nothing has run.",
    periods_sum: "S",
    periods_mixed: "Parts of different scales stand in this sum.",

    gaps_title: "Gaps in the record",
    gaps_caption: "Time in which it was not known whether the mechanism ran. It is never counted as running. In all: {gap} h without a record, {observed} h with one. The newest {n}:",
    gaps_total: "In all: {gap} h without a record, {observed} h with one.",
    gaps_none: "No gap has been recorded.",
    gap_begin: "Begin",
    gap_end: "End",
    gap_lasted: "Lasted",
    gap_open: "still open",

    messages_title: "Warnings and findings",
    messages_none: "None has been recorded.",
    messages_caption: "The newest {n}.",
    message_at: "Time",
    message_kind: "Kind",
    message_text: "What",
    message_warning: "warning",
    message_finding: "finding",

    how_used: "S/D = {used} h / {design} h = {share}. S = Σ km · T · f over the periods:",
    how_used_part: "{what}: {km} · {hours} h · {factor} = {used} h (f: {scale})",
    how_used_design_group: "D: full-load hours of group {group}, FEM 9.755 (06.1993) table 1, row L4.",
    how_used_design_maker: "D: the maker's own, from the configuration (the group {group} alone would give {group_design} h, FEM 9.755 table 1, row L4).",
    how_km: "km = Σ (Pᵢ/Prated)³ · tᵢ / T = {full} h / {hours} h = {km}, over running time with a known load. Limits of the classes: L1 0.125, L2 0.25, L3 0.5, L4 1; a limit belongs to its class ({edition}, table 5).",
    how_km_dead: "Pᵢ and Prated with the dead load, FEM 9.511.",
    how_running: "Sum of the time for which raising or lowering was on. A reading stands until the next one, at most {stale}; beyond that is a gap, which is not counted.",
    how_lifts: "A lift begins at {begin} on the hook for {confirm}, and ends below {end} for {confirm_end}. Its load is the mean of the middle half of the readings after the first {settle}. Thresholds from the configuration; common practice, no source.",
    how_starts: "Each change from standing to running counts once, whatever its length.",
    how_group_in_use: "Measured full-load hours since {from}: {full} h. Spread to ten years, the smallest group whose D (FEM 9.755 table 1, row L4) holds them is {group}. No standard defines this; the rule is ours.",
    how_forecast: "From the measured rate of use by day, with its scatter: the date at which S reaches D, with 10 %, 50 % and 90 % chance of being earlier.",
    how_rated: "From the configuration; the safe working load, without dead load.",
}

/// Fills the places of a template; a place without a value stays visible.
pub fn fill(template: &str, values: &[(&str, &str)]) -> String {
    let mut out = String::with_capacity(template.len() + 32);
    let mut rest = template;
    while let Some(open) = rest.find('{') {
        out.push_str(&rest[..open]);
        rest = &rest[open..];
        let Some(close) = rest.find('}') else { break };
        match values.iter().find(|(name, _)| *name == &rest[1..close]) {
            Some((_, value)) => out.push_str(value),
            None => out.push_str(&rest[..=close]),
        }
        rest = &rest[close + 1..];
    }
    out.push_str(rest);
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_are_filled_once_and_values_are_not_read_as_templates() {
        assert_eq!(fill("{a} of {b}, {a}", &[("a", "{b}"), ("b", "2")]), "{b} of 2, {b}");
        assert_eq!(fill("{missing} {", &[]), "{missing} {");
    }

    #[test]
    fn no_entry_is_empty() {
        for (name, text) in ENGLISH.entries() {
            assert!(!text.trim().is_empty(), "{name}");
        }
    }
}
