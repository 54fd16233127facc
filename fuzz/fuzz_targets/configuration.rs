//! Configurations: no panic; what is wrong is said; what is checked can be routed.
#![no_main]

use libfuzzer_sys::fuzz_target;
use std::path::Path;
use tarewell::config::{Surroundings, read};
use tarewell::wire::Router;

fuzz_target!(|text: &[u8]| {
    let around = Surroundings {
        environment: &|name: &str| (name == "SECRET").then(|| "hush".to_owned()),
        read_file: &|_: &Path| Err("no files here".to_owned()),
        machine_zone: Some("Etc/UTC".to_owned()),
    };
    match read(text, "fuzz.yaml", &around) {
        Ok(checked) => {
            let router = Router::new(&checked.plan, &checked.wiring);
            assert!(!router.subscriptions().is_empty());
        }
        Err(problems) => assert!(!problems.to_string().is_empty()),
    }
});
