//! Dependencies between the rooms point one way (DEVELOPERS.md, "The rooms").

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

/// Rooms by layer: a room may use those of lower layers, and those named beside its own layer.
const LAYERS: &[&[&str]] = &[
    &["units", "moment"],
    &["stand", "flat", "watering", "alert"],
    &["site"],
    &["wire", "config", "sim"],
    &["mqtt", "broker", "store", "hub", "notify", "web"],
    &["service"],
    &["command"],
];

/// Arrows within a layer. Each is here because the one is spoken of in the words of the other.
const BESIDE: &[(&str, &str)] = &[("units", "moment"), ("config", "wire"), ("broker", "mqtt")];

/// Rooms that know no more than these, whatever lies below them.
const KNOWS_ONLY: &[(&str, &[&str])] = &[("sim", &["units", "moment"])];

/// What no engine room may touch: I/O, clocks, tasks and logs.
const FORBIDDEN_IN_THE_ENGINE: &[&str] = &[
    "std::fs",
    "std::net::Tcp",
    "std::net::Udp",
    "std::thread",
    "Instant::now",
    "SystemTime::now",
    "Utc::now",
    "Local::now",
    "tokio::",
    "tracing::",
];

fn layer(room: &str) -> Option<usize> {
    LAYERS.iter().position(|rooms| rooms.contains(&room))
}

fn sources() -> Vec<(String, PathBuf, String)> {
    let mut found = Vec::new();
    let mut folders = vec![Path::new(env!("CARGO_MANIFEST_DIR")).join("src")];
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(&folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|ending| ending == "rs") {
                let inside = path.strip_prefix(Path::new(env!("CARGO_MANIFEST_DIR")).join("src")).unwrap();
                let first = inside.components().next().unwrap().as_os_str().to_string_lossy().into_owned();
                let room = first.trim_end_matches(".rs").to_owned();
                let text = fs::read_to_string(&path).unwrap();
                // A room's own tests may look around.
                let code = text.split("#[cfg(test)]\nmod tests {").next().unwrap_or_default().to_owned();
                found.push((room, path, code));
            }
        }
    }
    found
}

#[test]
fn arrows_between_rooms_point_one_way() {
    let mut wrong = BTreeMap::new();
    for (room, path, code) in sources() {
        let Some(own) = layer(&room) else { continue };
        for (number, line) in code.lines().enumerate() {
            for used in line.split("crate::").skip(1).filter(|_| !line.trim_start().starts_with("//")) {
                let used: String = used.chars().take_while(|c| c.is_ascii_lowercase()).collect();
                let Some(other) = layer(&used) else { continue };
                let beside = BESIDE.contains(&(room.as_str(), used.as_str()));
                let same_layer = other == own && used != room && !beside;
                let is_foreign = KNOWS_ONLY
                    .iter()
                    .any(|(shy, known)| *shy == room && used != room && !known.contains(&used.as_str()));
                if other > own || same_layer || is_foreign {
                    wrong.insert(format!("{}:{}", path.display(), number + 1), line.trim().to_owned());
                }
            }
        }
    }
    // Alerts are judged in words of flats and stands only through plain values, and so on: no arrow within a layer.
    assert!(wrong.is_empty(), "arrows that point back: {wrong:#?}");
}

#[test]
fn the_engine_has_no_clock_no_task_and_no_io() {
    let mut wrong = Vec::new();
    for (room, path, code) in sources() {
        if layer(&room).is_none_or(|layer| layer > 3) {
            continue;
        }
        for (number, line) in code.lines().enumerate() {
            let is_comment = line.trim_start().starts_with("//");
            if !is_comment && FORBIDDEN_IN_THE_ENGINE.iter().any(|word| line.contains(word)) {
                wrong.push(format!("{}:{}: {}", path.display(), number + 1, line.trim()));
            }
        }
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
}

#[test]
fn every_room_is_on_the_map() {
    let unknown: Vec<_> = sources()
        .into_iter()
        .filter(|(room, ..)| layer(room).is_none() && room != "lib" && room != "main")
        .map(|(_, path, _)| path)
        .collect();
    assert!(unknown.is_empty(), "rooms that are not on the map: {unknown:?}");
}
