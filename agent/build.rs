//! Has the release program's functions that every daemon runs laid out beside one another: see `layout.ld`.

use std::env;
use std::path::Path;

fn main() {
    println!("cargo::rerun-if-changed=layout.ld");
    println!("cargo::rerun-if-env-changed=TALLYHOOK_LAYOUT");
    let is = |name: &str, wanted: &str| env::var(name).is_ok_and(|value| value == wanted);
    if is("PROFILE", "release") && is("CARGO_CFG_TARGET_OS", "linux") && !is("TALLYHOOK_LAYOUT", "none") {
        let here = env::var("CARGO_MANIFEST_DIR").unwrap_or_default();
        println!("cargo::rustc-link-arg-bin=tallyhook=-Wl,-T,{}", Path::new(&here).join("layout.ld").display());
    }
}
