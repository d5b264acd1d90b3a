//! The profiles of `deploy/profiles/`: each loads, and means what its own comment says.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "tests")]

use std::path::Path;

use tallyhook_analysis::units::Grams;
use tallyhook_config::model::{Config, On};
use tallyhook_config::{Loaded, ProfileText, load, load_with_profiles};

fn shipped(named: &str) -> Result<ProfileText, String> {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("../deploy/profiles").join(named);
    let text = std::fs::read_to_string(&file).map_err(|error| error.to_string())?;
    Ok(ProfileText { file: file.display().to_string(), text })
}

fn site(drives: &[(&str, &str)], mechanisms: &[(&str, &str)]) -> Config {
    let mut text = String::new();
    for (name, profile) in drives {
        text += &format!("[drive.{name}]\naddress = \"192.0.2.10:502\"\nprofile = \"{profile}\"\n");
    }
    text += "[[crane]]\nid = \"yard-1\"\ngroup = \"A5\"\n";
    for (id, more) in mechanisms {
        text += &format!("[[crane.mechanism]]\nid = \"{id}\"\ngroup = \"M5\"\nrated_load_kg = 16000\n{more}\n");
    }
    let Loaded { config, text } =
        load_with_profiles(&text, "site.toml", &shipped).unwrap_or_else(|f| panic!("{}", f.report()));
    load(&text, "kept.toml").unwrap_or_else(|f| panic!("{}\n{text}", f.report()));
    config
}

fn names(config: &Config, mechanism: usize) -> Vec<&'static str> {
    config.cranes[0].mechanisms[mechanism].signals.iter().map(|s| s.target.name()).collect()
}

#[test]
fn every_shipped_profile_is_tried_here() {
    let directory = Path::new(env!("CARGO_MANIFEST_DIR")).join("../deploy/profiles");
    let mut files: Vec<String> =
        std::fs::read_dir(directory).unwrap().map(|f| f.unwrap().file_name().into_string().unwrap()).collect();
    files.sort();
    assert_eq!(files, ["load-cell-amplifier.toml", "plc-gateway.toml", "torque-only-drive.toml"]);
}

#[test]
fn a_converter_and_a_load_cell_make_a_hoist() {
    let drives = [("main", "torque-only-drive.toml"), ("cell", "load-cell-amplifier.toml")];
    let own =
        "drive = \"main\"\n[crane.mechanism.signals]\nload_kg = { drive = \"cell\" }\noverload = { drive = \"cell\" }";
    let config = site(&drives, &[("main-hoist", own)]);
    assert_eq!(
        names(&config, 0),
        [
            "load_kg",
            "torque_pct",
            "speed_pct",
            "run_hours",
            "starts",
            "raising",
            "lowering",
            "overload",
            "brake_open",
            "fault"
        ]
    );
    let signals = &config.cranes[0].mechanisms[0].signals;
    let named = |name: &str| signals.iter().find(|s| s.target.name() == name).unwrap();
    assert_eq!(named("brake_open").on, On::Matches { mask: 0x6F, values: vec![0x27] });
    assert_eq!(named("fault").texts.len(), 7);
    assert_eq!(named("speed_pct").scaled(16_384, 1000), Some(100_000), "16384 is 100 %");
    assert_eq!(named("starts").counter.unwrap().rolls_at, Some(65_536));
}

#[test]
fn a_plc_has_the_same_block_for_each_hoist() {
    let config = site(
        &[("plc", "plc-gateway.toml")],
        &[("main-hoist", ""), ("aux-hoist", "address_offset = 20\nwithout = [\"height_m\"]")],
    );
    assert_eq!(names(&config, 0).len(), 12);
    assert_eq!(names(&config, 1).len(), 11);
    let addresses =
        |n: usize| -> Vec<u16> { config.cranes[0].mechanisms[n].signals.iter().map(|s| s.register.address).collect() };
    assert_eq!(addresses(0).iter().min(), Some(&0));
    assert_eq!(addresses(1).iter().min(), Some(&20));
}

/// The blocks of a page that are fenced as TOML.
fn blocks(page: &str) -> Vec<String> {
    page.split("```toml\n").skip(1).map(|rest| rest.split("```").next().unwrap().to_owned()).collect()
}

#[test]
fn what_the_page_says_to_write_can_be_written() {
    let page = Path::new(env!("CARGO_MANIFEST_DIR")).join("../deploy/reading-a-drive-manual.md");
    let blocks = blocks(&std::fs::read_to_string(page).unwrap());
    assert_eq!(blocks.len(), 6);
    let (of_load, blocks): (Vec<_>, Vec<_>) = blocks.into_iter().partition(|b| b.starts_with("[crane.mechanism.load]"));
    let own = format!("drive = \"main\"\n{}", of_load[0]);
    let config = site(&[("main", "torque-only-drive.toml")], &[("main-hoist", &own)]);
    let load = &config.cranes[0].mechanisms[0].load;
    assert_eq!(load.calibration.as_ref().unwrap().raising.load(50_000), Grams::from_kg(5_000.0));
    let (drives, rest): (Vec<_>, Vec<_>) = blocks.into_iter().partition(|b| b.starts_with("[drive."));
    for block in rest {
        // A block is a whole profile, or some signals of one.
        let whole = block.contains("[signals]");
        let base =
            "load_kg = { address = 900 }\nraising = { address = 901, bit = 0 }\nlowering = { address = 901, bit = 1 }";
        let kept: Vec<&str> =
            base.lines().filter(|l| !block.contains(&format!("{} =", l.split(' ').next().unwrap()))).collect();
        let profile = if whole { block.clone() } else { format!("[signals]\n{}\n{block}", kept.join("\n")) };
        let read = |named: &str| {
            assert_eq!(named, "profiles/hoist-converter.toml");
            Ok(ProfileText { file: named.to_owned(), text: profile.clone() })
        };
        let site = format!(
            "{}\n[[crane]]\nid = \"yard-1\"\ngroup = \"A5\"\n[[crane.mechanism]]\nid = \"main-hoist\"\ngroup = \"M5\"\n\
             rated_load_kg = 16000\n",
            drives[0]
        );
        load_with_profiles(&site, "site.toml", &read).unwrap_or_else(|f| panic!("{}\n{block}", f.report()));
    }
}
