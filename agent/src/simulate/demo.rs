//! The demo's configuration: our own file format, matching the simulated drive's register map.

use std::net::SocketAddr;
use std::path::Path;

/// A sample of the demo stands for up to this many seconds: above the lowered cadence of a fast time-lapse, and long
/// enough that months of still nights are filled in seconds.
pub const DEMO_STALE_AFTER_S: i64 = 10;

/// The text of a configuration for the crane of the Eastfield scenario: drive at `drive`, store in `data`, page at
/// `listen`.
pub fn demo_config(drive: SocketAddr, data: &Path, listen: SocketAddr) -> String {
    let directory = toml::Value::String(data.to_string_lossy().into_owned());
    format!(
        r#"# The demo's configuration. Registers as the simulated drive has them.
[site]
name = "Eastfield precast yard"
time_zone = "Europe/Dublin"

[store]
directory = {directory}
commit_every = "30s"
samples = {{ days = 14, megabytes = 200 }}

# The demo's past is told at once, all fourteen months of it.
[outbox]
keep_days = 800

[page]
listen = "{listen}"

[drive.hoist]
address = "{drive}"
unit = 1
poll = "100ms"
timeout = "1s"

[[crane]]
id = "yard-1"
name = "Yard crane 1, 16 t double girder"
group = "A5"
design_life_years = 20

[[crane.mechanism]]
id = "main-hoist"
kind = "hoist"
group = "M5"
rated_load_kg = 16000
rated_speed_m_min = 5
drive = "hoist"
stale_after = "{DEMO_STALE_AFTER_S}s"

[crane.mechanism.signals]
load_kg = {{ table = "holding", address = 0, type = "i32", word_order = "high-first", scale = 0.1, unit = "kg" }}
raising = {{ table = "holding", address = 2, type = "bit", bit = 1 }}
lowering = {{ table = "holding", address = 2, type = "bit", bit = 2 }}
brake_open = {{ table = "holding", address = 2, type = "bit", bit = 3 }}
overload = {{ table = "holding", address = 2, type = "bit", bit = 4 }}
speed_pct = {{ table = "holding", address = 3, type = "i16", scale = 0.1, unit = "%" }}
height_m = {{ table = "holding", address = 4, type = "u16", scale = 0.001, unit = "m" }}
run_hours = {{ table = "holding", address = 6, type = "u32", word_order = "high-first", unit = "s" }}
starts = {{ table = "holding", address = 8, type = "u32", word_order = "high-first" }}

[crane.mechanism.reeving]
sheaves = 3
drum = true

[[crane.mechanism.part]]
name = "rope"
bending_cycles = 500000
full_load_bending_cycles = 200000

[[crane.mechanism.part]]
name = "brake"
stops = 1000000
brake_work_kj = 30000

[[crane.mechanism.part]]
name = "hook-inspection"
lifts = 50000
every = "year"

[crane.mechanism.warn]
used_share = [0.5, 0.8, 0.9, 1.0]
starts_per_hour = [240]

[[crane.mechanism.prior]]
running_hours = 5300
spectrum_factor = 0.16
recording = "counter"
lifts = 118000
lifts_spectrum_factor = 0.32
note = "hour counter and yard log, before the recorder came"
"#
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::simulate::registers::MAP;

    #[test]
    fn the_text_is_toml_and_reads_only_what_the_map_has() {
        let at: SocketAddr = ([127, 0, 0, 1], 1502).into();
        let text = demo_config(at, Path::new("a \"quoted\" \\ place"), at);
        let table: toml::Table = text.parse().unwrap();
        assert_eq!(table["store"]["directory"].as_str(), Some("a \"quoted\" \\ place"));
        let signals = table["crane"][0]["mechanism"][0]["signals"].as_table().unwrap();
        assert_eq!(signals.len(), 9);
        for (name, signal) in signals {
            let address = signal["address"].as_integer().unwrap();
            assert!(MAP.iter().any(|l| i64::from(l.address) == address), "{name}");
        }
    }
}
