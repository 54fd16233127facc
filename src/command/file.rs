//! Finds the configuration file, and reads it with what the machine says of itself.

use crate::config::{self, Checked, LARGEST, Surroundings};
use std::env;
use std::fs::File;
use std::io::Read as _;
use std::path::{Path, PathBuf};

/// Where the file is looked for without `--config`.
pub const PLACES: [&str; 2] = ["tarewell.yaml", "/etc/tarewell/tarewell.yaml"];

/// Finds, reads and checks the configuration; with the path it was found at.
///
/// # Errors
/// Everything that is wrong, ready to print; the exit code is then 2.
pub fn load(config: Option<&Path>) -> Result<(PathBuf, Checked), String> {
    let path = find(config)?;
    let bytes = bytes_of(&path)?;
    let folder = path.parent().unwrap_or(Path::new("")).to_owned();
    let read_file = |name: &Path| text_of(&folder.join(name));
    let environment = |name: &str| env::var(name).ok();
    let around = Surroundings { environment: &environment, read_file: &read_file, machine_zone: machine_zone() };
    match config::read(&bytes, &path.display().to_string(), &around) {
        Ok(checked) => Ok((path, checked)),
        Err(problems) => Err(problems.to_string()),
    }
}

/// The file that was named, or the first one that is there.
///
/// # Errors
/// Says where it was looked for.
pub fn find(config: Option<&Path>) -> Result<PathBuf, String> {
    if let Some(path) = config {
        return Ok(path.to_owned());
    }
    let found = PLACES.iter().map(PathBuf::from).find(|path| path.is_file());
    found.ok_or_else(|| {
        let [here, there] = PLACES;
        format!("there is no {here} in this folder and no {there}; name the file: --config FILE")
    })
}

fn bytes_of(path: &Path) -> Result<Vec<u8>, String> {
    let told = |error: std::io::Error| format!("{} could not be read: {error}", path.display());
    let mut bytes = Vec::new();
    // One byte more than is allowed is enough to see that it is too much.
    let most = LARGEST as u64 + 1;
    File::open(path).map_err(told)?.take(most).read_to_end(&mut bytes).map_err(told)?;
    Ok(bytes)
}

fn text_of(path: &Path) -> Result<String, String> {
    let told = |error: std::io::Error| format!("{}: {error}", path.display());
    let mut text = String::new();
    File::open(path).map_err(told)?.take(64 * 1024).read_to_string(&mut text).map_err(told)?;
    Ok(text)
}

/// The machine's zone: `TZ`, else the name that `/etc/localtime` points to, else `/etc/timezone`.
#[must_use]
pub fn machine_zone() -> Option<String> {
    let variable = env::var("TZ").ok().map(|name| name.trim_start_matches(':').to_owned());
    let link = || {
        let target = std::fs::canonicalize("/etc/localtime").ok()?;
        let text = target.to_str()?;
        text.split_once("zoneinfo/").map(|(_, name)| name.to_owned())
    };
    let written = || std::fs::read_to_string("/etc/timezone").ok().map(|name| name.trim().to_owned());
    let known = |name: &String| crate::moment::Zone::named(name).is_some();
    variable.filter(known).or_else(|| link().filter(known)).or_else(|| written().filter(known))
}
