//! The commented configuration that `init` prints, written from the table of keys.

use tallyhook_analysis::class::{ApplianceGroup, MechanismGroup};

use crate::keys::{self, Group, Key, plain};
use crate::raw::toml_text;

/// What the starter is made for.
#[derive(Clone, PartialEq, Debug)]
pub struct StarterOptions {
    /// Group of the hoist. Default M5.
    pub group: MechanismGroup,
    /// Group of the crane. Default A5.
    pub crane_group: ApplianceGroup,
    /// Rated load, kg: above 0, up to 500,000. Default 12,500.
    pub rated_load_kg: f64,
    /// The drive, `HOST:PORT`. The default is an address that is kept free for examples (RFC 5737).
    pub drive: String,
    /// Directory of the store. Default `data`.
    pub data: String,
}

impl Default for StarterOptions {
    fn default() -> Self {
        StarterOptions {
            group: MechanismGroup::M5,
            crane_group: ApplianceGroup::A5,
            rated_load_kg: 12_500.0,
            drive: "192.0.2.10:502".to_owned(),
            data: "data".to_owned(),
        }
    }
}

/// A starter for one crane with one hoist, `main-hoist`. [`crate::load()`] accepts it as it is for every option in
/// range; an option out of range becomes a fault of the text.
///
/// A line that begins with `#` and a letter or bracket is a setting that is switched off; taking the `#` away
/// switches it on.
pub fn starter(options: &StarterOptions) -> String {
    let mut out = Text::default();
    out.prose(
        "Tallyhook: configuration of one crane with one hoist. `tallyhook check --config FILE` names every fault of it. \
         Lines that begin with `#` and no space are settings that are switched off, most of them with their default. \
         Times are written \"100ms\", \"2s\", \"5min\", \"1h\" or as bare seconds. Tallyhook only ever reads from the \
         drive. It is no safety device: it replaces neither the load limiter nor an inspection by a competent person.",
    );
    out.site(options);
    out.drive(options);
    out.crane(options);
    out.told();
    out.lines
}

#[derive(Default)]
struct Text {
    lines: String,
}

/// Whether a line counts or is switched off.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Switch {
    On,
    Off,
}
use Switch::{Off, On};

impl Text {
    fn line(&mut self, line: &str) {
        self.lines.push_str(line);
        self.lines.push('\n');
    }

    /// A comment, broken into lines.
    fn prose(&mut self, text: &str) {
        let mut line = String::from("#");
        for word in text.split_whitespace() {
            if line.chars().count() + 1 + word.chars().count() > 110 {
                self.line(&line);
                line = String::from("#");
            }
            line.push(' ');
            line.push_str(word);
        }
        self.line(&line);
    }

    fn header(&mut self, switch: Switch, header: &str, group: &Group) {
        self.line("");
        self.prose(group.what);
        let off = if switch == Off { "#" } else { "" };
        self.line(&format!("{off}{header}"));
    }

    /// A key with its meaning, unit, range and default above it.
    fn key(&mut self, group: &Group, name: &str, switch: Switch, value: &str) {
        let Some(key) = group.keys.iter().find(|k| k.name == name) else {
            debug_assert!(false, "{} has no row for {name}", group.header);
            return;
        };
        self.prose(&explained(key));
        let off = if switch == Off { "#" } else { "" };
        self.line(&format!("{off}{name} = {value}"));
    }

    fn site(&mut self, options: &StarterOptions) {
        let site = &keys::SITE;
        self.header(On, "[site]", site);
        self.key(site, "name", On, "\"Eastfield precast yard\"");
        self.key(site, "time_zone", On, "\"UTC\"");
        self.key(site, "units", Off, "\"metric\"");
        self.key(site, "language", Off, "\"en\"");

        let store = &keys::STORE;
        self.header(On, "[store]", store);
        self.key(store, "directory", On, &toml_text(&options.data));
        self.key(store, "commit_every", Off, "\"30s\"");
        self.key(store, "backup", Off, "\"backup\"");
        self.key(store, "backup_keep", Off, "3");
        self.prose(keys::SAMPLES.what);
        self.explain_all(&keys::SAMPLES);
        self.key(store, "samples", Off, "{ days = 14, megabytes = 500 }");
        self.prose(keys::BUDGET.what);
        self.explain_all(&keys::BUDGET);
        self.key(store, "budget", Off, "{ megabytes = 1500, whole_days = 400 }");

        let page = &keys::PAGE;
        self.header(On, "[page]", page);
        self.key(page, "listen", On, "\"127.0.0.1:8420\"");
        self.key(page, "users_file", Off, "\"/var/lib/tallyhook/users\"");
        self.key(page, "certificate_file", Off, "\"/etc/tallyhook/page.pem\"");
        self.key(page, "key_file", Off, "\"/etc/tallyhook/page.key\"");
        self.aside(page, &["proxy"]);
    }

    fn drive(&mut self, options: &StarterOptions) {
        let drive = &keys::DRIVE;
        self.header(On, "[drive.main]", drive);
        self.key(drive, "address", On, &toml_text(&options.drive));
        self.key(drive, "unit", On, "1");
        self.key(drive, "poll", On, "\"100ms\"");
        self.key(drive, "poll_counters", Off, "\"5s\"");
        self.key(drive, "timeout", Off, "\"1s\"");
        self.key(drive, "max_registers", Off, "125");
        self.key(drive, "max_contacts", Off, "2000");
        self.key(drive, "readable", Off, "{ holding = \"0-40, 100-119\" }");
        self.key(drive, "answer_delay", Off, "\"5ms\"");
        self.key(drive, "silent_after", Off, "\"100h\"");
        self.aside(drive, &["profile"]);
        self.explain_all(&keys::PROFILE);

        let bus = &keys::BUS;
        self.header(Off, "[bus.panel]", bus);
        self.explain_all(bus);
        self.line("#device = \"/dev/serial/by-id/usb-adapter\"");
        self.line("#baud = 19200");
        self.line("#parity = \"even\"");
        self.line("#stop_bits = 1");
        self.line("#rs485 = false");
        self.line("");
        self.prose("A device on that line, in the place of an `address`:");
        self.line("#[drive.amplifier]");
        self.key(drive, "bus", Off, "\"panel\"");
        self.line("#unit = 2");
    }

    fn crane(&mut self, options: &StarterOptions) {
        let crane = &keys::CRANE;
        self.header(On, "[[crane]]", crane);
        self.key(crane, "id", On, "\"yard-1\"");
        self.key(crane, "name", On, "\"Yard crane 1\"");
        self.key(crane, "group", On, &toml_text(options.crane_group.name()));
        self.key(crane, "design_life_years", Off, "20");

        let hoist = &keys::MECHANISM;
        let rated = options.rated_load_kg;
        self.header(On, "[[crane.mechanism]]", hoist);
        self.key(hoist, "id", On, "\"main-hoist\"");
        self.key(hoist, "kind", On, "\"hoist\"");
        self.key(hoist, "group", On, &toml_text(options.group.name()));
        self.key(hoist, "rated_load_kg", On, &plain(rated));
        self.key(hoist, "dead_load_kg", Off, "0");
        self.key(hoist, "load_signal", On, "\"net\"");
        self.key(hoist, "design_full_load_hours", Off, &plain(options.group.design_full_load_hours()));
        self.key(hoist, "drive", On, "\"main\"");
        self.key(hoist, "stale_after", On, "\"2s\"");
        self.key(hoist, "factor_scale", Off, "\"fem\"");
        self.key(hoist, "design_spectrum", Off, "\"L2\"");
        self.key(hoist, "unread_spectrum_factor", Off, "0.25");
        self.key(hoist, "budget_rated_load_kg", Off, &plain(rated));
        self.key(hoist, "rated_speed_m_min", Off, "8");
        self.key(hoist, "abnormal_environment", Off, "false");
        self.aside(hoist, &["profile", "without", "address_offset"]);
        self.signals(rated);

        let load = &keys::LOAD;
        self.header(Off, "[crane.mechanism.load]", load);
        self.key(load, "leads", Off, "\"load_kg\"");
        self.key(load, "book", Off, "\"reading\"");
        // These need the signals `torque_pct` and `speed_pct`, which the signals above have switched off.
        self.key(load, "min_speed_percent", Off, "20");
        self.key(load, "max_slope_percent_s", Off, "20");
        self.key(load, "settle", Off, "\"300ms\"");
        self.key(load, "correct_zero_percent", Off, "2");
        self.key(load, "uncertainty_percent", Off, "1");
        self.key(load, "hoisting_class", Off, "\"HC2\"");
        self.key(load, "jerk_factor", Off, "1.3");
        self.prose(keys::POINT.what);
        self.explain_all(&keys::POINT);
        self.key(load, "point", Off, "[{ load_kg = 0, raising_pct = 9, lowering_pct = -3 }, { load_kg = 5000, raising_pct = 50, lowering_pct = -28 }]");

        let reeving = &keys::REEVING;
        self.header(Off, "[crane.mechanism.reeving]", reeving);
        self.key(reeving, "sheaves", Off, "3");
        self.key(reeving, "drum", Off, "true");
        self.key(reeving, "ways", Off, "2");
        let part = &keys::PART;
        self.header(Off, "[[crane.mechanism.part]]", part);
        self.key(part, "name", Off, "\"rope\"");
        self.key(part, "bending_cycles", Off, "150000");
        self.key(part, "full_load_bending_cycles", Off, "40000");
        self.key(part, "running_hours", Off, "2000");
        self.key(part, "lifts", Off, "60000");
        self.key(part, "starts", Off, "500000");
        self.key(part, "stops", Off, "500000");
        self.key(part, "every", Off, "\"year\"");
        // It needs the motor's speed, which the signals below have switched off.
        self.key(part, "brake_work_kj", Off, "20000");

        let lift = &keys::LIFT;
        self.header(Off, "[crane.mechanism.lift]", lift);
        self.switched_off_defaults(lift);
        let warn = &keys::WARN;
        self.header(Off, "[crane.mechanism.warn]", warn);
        self.switched_off_defaults(warn);
        let prior = &keys::PRIOR;
        self.header(Off, "[[crane.mechanism.prior]]", prior);
        self.key(prior, "running_hours", Off, "1200");
        self.key(prior, "spectrum_factor", Off, "0.25");
        self.key(prior, "recording", Off, "\"estimated\"");
        self.key(prior, "lifts", Off, "0");
        self.key(prior, "lifts_spectrum_factor", Off, "0.5");
        self.key(prior, "note", Off, "\"hour meter, loads as remembered\"");
    }

    fn signals(&mut self, rated_kg: f64) {
        let signals = &keys::SIGNALS;
        self.header(On, "[crane.mechanism.signals]", signals);
        self.prose(keys::SIGNAL.what);
        self.explain_all(&keys::SIGNAL);
        self.prose("These addresses are a beginning: put those of your drive's manual here.");
        // A 16-bit register of whole kilograms ends at 65,535; leave a quarter above the rated load.
        let step = if rated_kg * 1.25 <= 65_535.0 { 1 } else { 10 };
        let load = format!(
            "{{ table = \"holding\", address = 0, type = \"u16\", scale = {step}, offset = 0, unit = \"kg\" }}"
        );
        self.key(signals, "load_kg", On, &load);
        self.key(signals, "raising", On, "{ table = \"holding\", address = 1, type = \"bit\", bit = 0 }");
        self.key(signals, "lowering", On, "{ table = \"holding\", address = 1, type = \"bit\", bit = 1 }");
        self.key(signals, "overload", Off, "{ table = \"holding\", address = 1, type = \"bit\", bit = 2 }");
        self.key(signals, "fault", Off, "{ table = \"holding\", address = 1, type = \"bit\", bit = 3 }");
        self.key(signals, "brake_open", Off, "{ table = \"coil\", address = 0 }");
        self.key(signals, "upper_limit", Off, "{ table = \"discrete\", address = 0, inverted = true }");
        self.key(signals, "lower_limit", Off, "{ table = \"discrete\", address = 1, inverted = true }");
        self.key(signals, "slack_rope", Off, "{ table = \"discrete\", address = 2, inverted = false }");
        self.key(
            signals,
            "speed_pct",
            Off,
            "{ table = \"input\", address = 0, type = \"i16\", scale = 0.1, unit = \"%\" }",
        );
        self.key(
            signals,
            "torque_pct",
            Off,
            "{ table = \"input\", address = 1, type = \"i16\", scale = 0.1, unit = \"%\" }",
        );
        self.key(
            signals,
            "height_m",
            Off,
            "{ table = \"input\", address = 2, type = \"i32\", word_order = \"high-first\", unit = \"mm\" }",
        );
        self.key(signals, "trolley_m", Off, "{ table = \"input\", address = 4, type = \"f32\", unit = \"m\" }");
        self.key(
            signals,
            "bridge_m",
            Off,
            "{ table = \"input\", address = 6, type = \"f32\", unit = \"m\", drive = \"main\" }",
        );
        self.key(signals, "run_hours", Off, "{ table = \"input\", address = 8, type = \"u32\", unit = \"min\" }");
        self.key(
            signals,
            "starts",
            Off,
            "{ table = \"input\", address = 10, type = \"u32\", word_order = \"low-first\" }",
        );
    }

    fn told(&mut self) {
        let alarms = &keys::ALARMS;
        self.header(Off, "[alarms]", alarms);
        self.key(alarms, "remind_every", Off, "\"24h\"");
        self.key(alarms, "quiet_from", Off, "22");
        self.key(alarms, "quiet_to", Off, "6");
        self.key(alarms, "quiet_holds", Off, "\"ordinary\"");
        self.key(alarms, "group_from", Off, "10");
        self.key(alarms, "digest_day", Off, "\"monday\"");
        self.key(alarms, "digest_hour", Off, "7");

        let outbox = &keys::OUTBOX;
        self.header(Off, "[outbox]", outbox);
        self.key(outbox, "keep_days", Off, "400");
        self.key(outbox, "max_mb", Off, "512");

        let mqtt = &keys::MQTT;
        self.header(Off, "[mqtt]", mqtt);
        self.key(mqtt, "host", Off, "\"127.0.0.1\"");
        self.key(mqtt, "port", Off, "1883");
        self.key(mqtt, "client_id", Off, "\"tallyhook\"");
        self.key(mqtt, "topic_root", Off, "\"tallyhook\"");
        self.key(mqtt, "username", Off, "\"crane\"");
        self.key(mqtt, "password_file", Off, "\"mqtt-password\"");
        self.key(mqtt, "payload", Off, "\"sparkplug-b\"");
        self.key(mqtt, "sparkplug_group", Off, "\"tallyhook\"");
        self.key(mqtt, "tls", Off, "true");
        self.key(mqtt, "ca_file", Off, "\"authority.pem\"");
        self.key(mqtt, "certificate_file", Off, "\"client.pem\"");
        self.key(mqtt, "key_file", Off, "\"client.key\"");
        self.key(mqtt, "from_start", Off, "false");
        self.key(mqtt, "acknowledge", Off, "false");

        let webhook = &keys::WEBHOOK;
        self.header(Off, "[[webhook]]", webhook);
        self.key(webhook, "name", Off, "\"maintenance\"");
        self.key(webhook, "url", Off, "\"https://chat.example/hook\"");
        self.key(webhook, "headers", Off, "{ Accept = \"application/json\" }");
        self.key(webhook, "header_files", Off, "{ Authorization = \"chat-token\" }");
        self.key(webhook, "ca_file", Off, "\"authority.pem\"");
        self.key(webhook, "certificate_file", Off, "\"client.pem\"");
        self.key(webhook, "key_file", Off, "\"client.key\"");
        self.key(webhook, "template", Off, "'{\"text\": \"{{text}}\", \"crane\": \"{{crane}}\"}'");

        let influx = &keys::INFLUX;
        self.header(Off, "[influx]", influx);
        self.key(influx, "url", Off, "\"https://influx.example:8086\"");
        self.key(influx, "org", Off, "\"plant\"");
        self.key(influx, "bucket", Off, "\"cranes\"");
        self.key(influx, "token_file", Off, "\"influx-token\"");
        self.key(influx, "ca_file", Off, "\"authority.pem\"");
        self.key(influx, "certificate_file", Off, "\"client.pem\"");
        self.key(influx, "key_file", Off, "\"client.key\"");
        self.key(influx, "precision", Off, "\"ms\"");
        self.key(influx, "batch", Off, "500");
        self.key(influx, "timeout", Off, "\"10s\"");
        self.key(influx, "health_every", Off, "\"1min\"");
        self.key(influx, "from_start", Off, "false");

        let matrix = &keys::MATRIX;
        self.header(Off, "[matrix]", matrix);
        self.key(matrix, "url", Off, "\"https://matrix.example\"");
        self.key(matrix, "user", Off, "\"tallyhook\"");
        self.key(matrix, "password_file", Off, "\"matrix-password\"");
        self.key(matrix, "room", Off, "\"!maintenance:matrix.example\"");
        self.key(matrix, "device_id", Off, "\"tallyhook\"");
        self.key(matrix, "ca_file", Off, "\"authority.pem\"");
        self.key(matrix, "certificate_file", Off, "\"client.pem\"");
        self.key(matrix, "key_file", Off, "\"client.key\"");
    }

    /// Explains the keys of a table that is written in one line.
    fn explain_all(&mut self, group: &Group) {
        for key in group.keys {
            self.prose(&format!("· {}: {}", key.name, explained(key)));
        }
    }

    /// Keys that are explained but not spelt out.
    fn aside(&mut self, group: &Group, names: &[&str]) {
        for key in group.keys.iter().filter(|key| names.contains(&key.name)) {
            self.prose(&format!("· {}: {}", key.name, explained(key)));
        }
    }

    /// All keys of a table whose keys all have defaults.
    fn switched_off_defaults(&mut self, group: &Group) {
        for key in group.keys {
            if let keys::Absent::Default(value) = key.absent {
                let quoted = matches!(key.form, keys::Form::Time(_));
                self.key(group, key.name, Off, &if quoted { toml_text(value) } else { value.to_owned() });
            }
        }
    }
}

/// Meaning, then unit, range and default in brackets.
fn explained(key: &Key) -> String {
    // A signal's own keys are explained once, above all signals.
    let is_signal = matches!(key.form, keys::Form::Section) && key.absent == keys::Absent::Means("not read");
    if is_signal {
        return key.what.to_owned();
    }
    format!("{} ({}; {})", key.what, key.form.range(), key.absent.words())
}
