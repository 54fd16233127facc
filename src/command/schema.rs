//! `tarewell schema`: the JSON Schema of the configuration file.

/// Prints the schema, and returns the exit code.
#[must_use]
pub fn run() -> i32 {
    println!("{}", text());
    0
}

/// The schema as it is checked in under `config/`, without a line end after it.
#[must_use]
pub fn text() -> String {
    format!("{:#}", crate::config::schema())
}
