//! Tells the program when it was built: a clock that reads earlier is wrong, and nothing is watered by it.

use std::time::{SystemTime, UNIX_EPOCH};

fn main() {
    println!("cargo:rerun-if-changed=build.rs");
    println!("cargo:rerun-if-changed=Cargo.toml");
    println!("cargo:rerun-if-env-changed=SOURCE_DATE_EPOCH");
    let given = std::env::var("SOURCE_DATE_EPOCH").ok().and_then(|seconds| seconds.parse::<u64>().ok());
    let now = || SystemTime::now().duration_since(UNIX_EPOCH).map_or(0, |since| since.as_secs());
    println!("cargo:rustc-env=TAREWELL_BUILT={}", given.unwrap_or_else(now));
}
