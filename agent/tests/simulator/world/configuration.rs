//! The site of a seed.

use tallyhook_config::model::Config;

pub(super) fn configuration(
    directory: &std::path::Path,
    grain_ms: i64,
    timeout_ms: i64,
    stale_ms: i64,
    hoists: usize,
    rtu: bool,
) -> Config {
    let drive = match rtu {
        true => "[bus.b]\naddress = \"127.0.0.1:1\"\nframing = \"rtu\"\n[drive.d]\nbus = \"b\"\n",
        false => "[drive.d]\naddress = \"127.0.0.1:1\"\n",
    };
    let silent_s = (grain_ms * 20 / 1000).max(2);
    let mut text = format!(
        "{drive}poll = \"{grain_ms}ms\"\ntimeout = \"{timeout_ms}ms\"\nsilent_after = \"{silent_s}s\"\n\
         [[crane]]\nid = \"yard-1\"\ngroup = \"A5\"\n"
    );
    for n in 0..hoists {
        let at = n * 3;
        text.push_str(&format!(
            "[[crane.mechanism]]\nid = \"hoist-{n}\"\ngroup = \"M5\"\nrated_load_kg = 10000\ndrive = \"d\"\n\
             stale_after = \"{stale_ms}ms\"\n[crane.mechanism.signals]\nload_kg = {{ address = {at}, type = \"i32\" }}\n\
             raising = {{ address = {status}, bit = 0 }}\nlowering = {{ address = {status}, bit = 1 }}\n\
             [crane.mechanism.warn]\nused_share = [0.0001, 0.001, 0.01, 0.1]\nstarts_per_hour = [20]\n",
            status = at + 2,
        ));
    }
    let mut config =
        tallyhook_config::load(&text, "simulated.toml").unwrap_or_else(|faults| panic!("{}", faults.report()));
    config.store.directory = directory.to_owned();
    config.store.recording = None;
    config.store.backup = None;
    config
}
