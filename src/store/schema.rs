//! The layout of the file, and the steps that lead to it. Steps are only ever added at the end.

use super::StoreError;
use super::lock::beside;
use rusqlite::Connection;
use std::path::Path;

/// Marks the file as ours (`PRAGMA application_id`): the letters `TARW`.
pub const APPLICATION: i64 = 0x5441_5257;

/// Step n leads from layout n − 1 to layout n.
pub const STEPS: &[&str] = &["
    CREATE TABLE facts (
        kind TEXT NOT NULL, id TEXT NOT NULL, json TEXT NOT NULL, wall INTEGER NOT NULL, retired INTEGER,
        PRIMARY KEY (kind, id)
    ) WITHOUT ROWID;
    CREATE TABLE alerts (
        kind TEXT NOT NULL, of TEXT NOT NULL, id TEXT NOT NULL, json TEXT NOT NULL,
        PRIMARY KEY (kind, of, id)
    ) WITHOUT ROWID;
    CREATE TABLE events (
        seq INTEGER PRIMARY KEY, wall INTEGER NOT NULL, of TEXT NOT NULL, id TEXT NOT NULL,
        name TEXT NOT NULL, json TEXT NOT NULL
    );
    CREATE INDEX events_of ON events (of, id, seq);
    CREATE TABLE weights (
        flat TEXT NOT NULL, wall INTEGER NOT NULL, weight REAL NOT NULL, fraction REAL,
        PRIMARY KEY (flat, wall)
    ) WITHOUT ROWID;
    CREATE TABLE commands (
        id TEXT PRIMARY KEY, wall INTEGER NOT NULL, answer TEXT NOT NULL
    ) WITHOUT ROWID;
    CREATE INDEX commands_wall ON commands (wall);
    -- Waterings, written down before any water flows; state is planned, open, or how it ended.
    CREATE TABLE journal (
        id TEXT PRIMARY KEY, valve TEXT NOT NULL, wall INTEGER NOT NULL, state TEXT NOT NULL, json TEXT NOT NULL
    ) WITHOUT ROWID;
    CREATE INDEX journal_valve ON journal (valve, wall);
    -- Single numbers: newest_wall, thinned_until.
    CREATE TABLE marks (name TEXT PRIMARY KEY, value INTEGER NOT NULL) WITHOUT ROWID;
"];

/// Brings a file to the newest layout, or refuses it. `path` is `None` for a store in memory.
///
/// Before each step a copy of the file is made beside it, `….before-layout-N`; a step and its number are one transaction.
pub fn settle(connection: &mut Connection, path: Option<&Path>, steps: &[&str]) -> Result<(), StoreError> {
    let mut layout = layout(connection, path)?;
    let known = i64::try_from(steps.len()).unwrap_or(i64::MAX);
    if layout > known {
        return Err(StoreError::Newer {
            path: path.unwrap_or(Path::new("in memory")).to_owned(),
            found: layout,
            known,
        });
    }
    for step in steps.iter().skip(usize::try_from(layout).unwrap_or(0)) {
        layout += 1;
        if let (Some(path), true) = (path, layout > 1) {
            copy(connection, path, layout)?;
        }
        climb(connection, step, layout).map_err(StoreError::sql("bring the store to the layout of this version"))?;
    }
    Ok(())
}

/// The layout of the file: 0 for an empty one. Refuses what is not ours.
pub fn layout(connection: &Connection, path: Option<&Path>) -> Result<i64, StoreError> {
    let reading = "read what the store is";
    let number = |pragma| connection.query_row(pragma, [], |row| row.get::<_, i64>(0));
    let application = number("PRAGMA application_id").map_err(|error| unlike_sqlite(error, path, reading))?;
    let layout = number("PRAGMA user_version").map_err(StoreError::sql(reading))?;
    let tables = number("SELECT count(*) FROM sqlite_schema").map_err(StoreError::sql(reading))?;
    let empty = application == 0 && layout == 0 && tables == 0;
    if empty || application == APPLICATION {
        return Ok(layout);
    }
    Err(StoreError::Foreign(path.unwrap_or(Path::new("in memory")).to_owned()))
}

fn unlike_sqlite(error: rusqlite::Error, path: Option<&Path>, doing: &'static str) -> StoreError {
    match (error.sqlite_error_code(), path) {
        (Some(rusqlite::ErrorCode::NotADatabase), Some(path)) => StoreError::NotSqlite(path.to_owned()),
        _ => StoreError::Sql { doing, source: error },
    }
}

fn climb(connection: &mut Connection, step: &str, layout: i64) -> rusqlite::Result<()> {
    let transaction = connection.transaction()?;
    transaction.execute_batch(step)?;
    transaction.pragma_update(None, "application_id", APPLICATION)?;
    transaction.pragma_update(None, "user_version", layout)?;
    transaction.commit()
}

fn copy(connection: &Connection, path: &Path, layout: i64) -> Result<(), StoreError> {
    let to = beside(path, &format!(".before-layout-{layout}"));
    let io = |source| StoreError::Io { doing: "copy the store to", path: to.clone(), source };
    // A copy cut short by a crash stands in the way of the next; until the step is done the store itself is as it was.
    match std::fs::remove_file(&to) {
        Err(error) if error.kind() != std::io::ErrorKind::NotFound => return Err(io(error)),
        _ => {}
    }
    let name = to.to_string_lossy();
    connection
        .execute("VACUUM INTO ?1", [name.as_ref()])
        .map_err(StoreError::sql("copy the store before changing it"))?;
    // SQLite does not wait until such a copy is on the disk.
    std::fs::File::open(&to).and_then(|file| file.sync_all()).map_err(io)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn opened(path: &Path) -> Connection {
        Connection::open(path).unwrap()
    }

    #[test]
    fn each_step_is_taken_once_and_leaves_a_copy_of_what_was_before() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("store.db");
        let steps = ["CREATE TABLE a (x)", "ALTER TABLE a ADD COLUMN y; INSERT INTO a VALUES (1, 2)"];
        settle(&mut opened(&path), Some(&path), &steps[..1]).unwrap();
        assert!(!beside(&path, ".before-layout-1").exists(), "an empty file needs no copy");
        settle(&mut opened(&path), Some(&path), &steps).unwrap();
        settle(&mut opened(&path), Some(&path), &steps).unwrap();
        let rows: i64 = opened(&path).query_row("SELECT count(*) FROM a WHERE y = 2", [], |row| row.get(0)).unwrap();
        assert_eq!(rows, 1);

        let copy = beside(&path, ".before-layout-2");
        assert_eq!(layout(&opened(&copy), Some(&copy)).unwrap(), 1);
        assert!(opened(&copy).prepare("SELECT y FROM a").is_err());
    }

    #[test]
    fn a_step_that_fails_leaves_the_file_as_it_was() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("store.db");
        settle(&mut opened(&path), Some(&path), &["CREATE TABLE a (x)"]).unwrap();
        let broken = ["CREATE TABLE a (x)", "CREATE TABLE b (x); CREATE TABLE a (x)"];
        let error = settle(&mut opened(&path), Some(&path), &broken).unwrap_err();
        assert!(error.to_string().contains("layout of this version"), "{error}");
        let connection = opened(&path);
        assert_eq!(layout(&connection, Some(&path)).unwrap(), 1);
        assert!(connection.prepare("SELECT x FROM b").is_err());
    }
}
