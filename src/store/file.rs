//! The store itself: opened, read at the start, written in batches.

use super::lock::Lock;
use super::words::{Fact, Of, RaisedAlert, Saved, Write};
use super::{StoreError, history, schema};
use crate::alert::Kind;
use crate::moment::{Span, Wall};
use rusqlite::{Connection, Row, Transaction, params};
use std::path::{Path, PathBuf};
use std::time::Duration;

/// How long a command's id is remembered at least.
const COMMANDS_KEPT: Span = Span::hours(24);
/// How long a write waits for a program that has the file open and is writing to it.
const PATIENCE: Duration = Duration::from_millis(500);

/// The file that has what must survive, held by this process alone.
///
/// Other programs may read it meanwhile. Every call blocks; a service uses a [`Writer`](super::Writer).
#[derive(Debug)]
pub struct Store {
    pub(super) connection: Connection,
    path: Option<PathBuf>,
    /// Which file it is, whatever lies under its name by now; `None` in memory.
    file: Option<FileId>,
    is_new: bool,
    _lock: Option<Lock>,
}

/// Device and inode.
type FileId = (u64, u64);

impl Store {
    /// Opens the store at `path`, or makes an empty one there; its folder must exist.
    ///
    /// # Errors
    /// When another process has it, when the file is no SQLite file, another application's, or a newer version's, and
    /// when it cannot be read or written. Nothing is changed then.
    pub fn open(path: &Path) -> Result<Self, StoreError> {
        let path = real(path)?;
        let lock = Lock::take(&path)?;
        is_ours(&path)?;
        let is_new = std::fs::metadata(&path).map_or(true, |file| file.len() == 0);
        let connection = Connection::open(&path).map_err(StoreError::sql("open the store"))?;
        connection.busy_timeout(PATIENCE).map_err(StoreError::sql("open the store"))?;
        connection
            .execute_batch("PRAGMA journal_mode = WAL; PRAGMA journal_size_limit = 8388608; PRAGMA cache_size = -512")
            .map_err(StoreError::sql("write to the store"))?;
        let store = Self::settled(connection, Some(path), Some(lock))?;
        let file = store.path().and_then(file_at);
        Ok(Self { file, is_new, ..store })
    }

    /// A store that ends with the process.
    ///
    /// # Errors
    /// When there is no memory for it.
    pub fn in_memory() -> Result<Self, StoreError> {
        let connection = Connection::open_in_memory().map_err(StoreError::sql("make a store in memory"))?;
        Self::settled(connection, None, None)
    }

    fn settled(mut connection: Connection, path: Option<PathBuf>, lock: Option<Lock>) -> Result<Self, StoreError> {
        schema::settle(&mut connection, path.as_deref(), schema::STEPS)?;
        connection.set_prepared_statement_cache_capacity(32);
        Ok(Self { connection, path, file: None, is_new: true, _lock: lock })
    }

    /// Where it lies, without symbolic links; `None` in memory.
    #[must_use]
    pub fn path(&self) -> Option<&Path> {
        self.path.as_deref()
    }

    /// Whether there was nothing before it was opened.
    #[must_use]
    pub const fn is_new(&self) -> bool {
        self.is_new
    }

    /// Whether what is written will be found under its name. SQLite writes on into a file that has been deleted, and all of it is gone
    /// when that is closed.
    fn in_its_place(&self) -> Result<(), StoreError> {
        match &self.path {
            Some(path) if self.file.is_some() && file_at(path) != self.file => Err(StoreError::Gone(path.clone())),
            _ => Ok(()),
        }
    }

    /// Everything a service needs again at its start, but for histories and past events.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn load(&self) -> Result<Saved, StoreError> {
        load(&self.connection).map_err(StoreError::sql("read the store"))
    }

    /// Writes all of a batch, or nothing of it. When it returns `Ok`, the batch survives the end of the process, and
    /// all but weights survive the loss of power too.
    ///
    /// # Errors
    /// When the disk is full or gone, the file is no longer in its place, or another program is writing. The same batch may be written again: no write
    /// does more when it is done twice.
    pub fn write(&mut self, batch: &[Write]) -> Result<(), StoreError> {
        if batch.is_empty() {
            return Ok(());
        }
        self.in_its_place()?;
        write(&mut self.connection, batch, false).map_err(StoreError::sql("write to the store"))
    }

    /// As [`write`](Self::write), but when it returns `Ok`, all of this batch and of every one before survives the loss of power. An
    /// empty batch is written too, so that `Ok` says that the file can be written now.
    ///
    /// # Errors
    /// As [`write`](Self::write).
    pub fn flush(&mut self, batch: &[Write]) -> Result<(), StoreError> {
        self.in_its_place()?;
        write(&mut self.connection, batch, true).map_err(StoreError::sql("write to the store"))
    }

    /// The configuration no longer knows this: its alerts are forgotten, the rest is kept for 400 days.
    ///
    /// # Errors
    /// As [`write`](Self::write).
    pub fn retire(&mut self, of: Of, id: &str, wall: Wall) -> Result<(), StoreError> {
        self.write(&[Write::Retire { of, id: id.to_owned(), wall }])
    }

    /// A flat is called otherwise now: all that is kept of `from` is kept of `to`, if there is anything of the one and nothing
    /// of the other. Whether it was so.
    ///
    /// # Errors
    /// As [`write`](Self::write).
    pub fn rename_flat(&mut self, from: &str, to: &str) -> Result<bool, StoreError> {
        rename_flat(&mut self.connection, from, to).map_err(StoreError::sql("write to the store"))
    }

    /// The weights of a flat from `from` to `to`, both included where given, thinned to `at_most` points (never more
    /// than [`AT_MOST`](super::AT_MOST)) that keep the extremes.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn history(
        &self,
        flat: &str,
        from: Option<Wall>,
        to: Option<Wall>,
        at_most: usize,
    ) -> Result<Vec<super::Point>, StoreError> {
        history::weights(&self.connection, flat, from, to, at_most)
    }

    /// The newest events, at most so many, oldest first; of one subject, or of all.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn events(&self, of: Option<(Of, &str)>, at_most: usize) -> Result<Vec<super::KeptEvent>, StoreError> {
        history::events(&self.connection, of, at_most)
    }
}

/// The file that lies there now.
#[cfg(unix)]
fn file_at(path: &Path) -> Option<FileId> {
    use std::os::unix::fs::MetadataExt as _;
    std::fs::metadata(path).ok().map(|file| (file.dev(), file.ino()))
}

/// Elsewhere a file that is open cannot be deleted.
#[cfg(not(unix))]
fn file_at(_: &Path) -> Option<FileId> {
    None
}

/// Looks without writing: even closing a connection that could write may change another application's file.
fn is_ours(path: &Path) -> Result<(), StoreError> {
    match history::Reader::open(path) {
        Err(error @ (StoreError::NotSqlite(_) | StoreError::Foreign(_) | StoreError::Newer { .. })) => Err(error),
        // What else is wrong, opening it for writing will mend (a first start cut short) or tell.
        _ => Ok(()),
    }
}

/// Follows symbolic links, so that two names of one file have one lock.
fn real(path: &Path) -> Result<PathBuf, StoreError> {
    let io = |doing| move |source| StoreError::Io { doing, path: path.to_owned(), source };
    if path.exists() {
        return path.canonicalize().map_err(io("open the store"));
    }
    let folder = match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    };
    let folder = folder.canonicalize().map_err(io("find the folder of the store"))?;
    let name = path.file_name().ok_or_else(|| io("open the store")(std::io::ErrorKind::IsADirectory.into()))?;
    Ok(folder.join(name))
}

pub(super) fn load(connection: &Connection) -> rusqlite::Result<Saved> {
    let mut saved = Saved {
        facts: facts(connection)?,
        last_seq: connection.query_row("SELECT coalesce(max(seq), 0) FROM events", [], |row| {
            Ok(u64::try_from(row.get::<_, i64>(0)?).unwrap_or(0))
        })?,
        newest_wall: newest_wall(connection)?,
        ..Saved::default()
    };
    load_alerts(connection, &mut saved)?;
    let mut statement = connection.prepare("SELECT id, wall, answer FROM commands ORDER BY wall")?;
    let commands = statement.query_map([], |row| Ok((row.get(0)?, wall(row, 1)?, row.get(2)?)))?;
    saved.commands = commands.collect::<Result<_, _>>()?;
    Ok(saved)
}

fn facts(connection: &Connection) -> rusqlite::Result<Vec<Fact>> {
    let mut statement = connection.prepare("SELECT kind, id, json, wall, retired FROM facts ORDER BY kind, id")?;
    let rows = statement.query_map([], |row| {
        Ok(Of::named(row.get_ref(0)?.as_str()?).map(|of| -> rusqlite::Result<Fact> {
            let retired = row.get::<_, Option<i64>>(4)?.map(Wall::from_millis);
            Ok(Fact { of, id: row.get(1)?, json: row.get(2)?, wall: wall(row, 3)?, retired })
        }))
    })?;
    // A kind of fact that this version does not know is another part's, and none of its business.
    rows.filter_map(Result::transpose).map(|fact| fact?).collect()
}

fn load_alerts(connection: &Connection, saved: &mut Saved) -> rusqlite::Result<()> {
    let mut statement = connection.prepare("SELECT kind, of, id, json FROM alerts ORDER BY kind, of, id")?;
    let mut rows = statement.query([])?;
    while let Some(row) = rows.next()? {
        let (kind, of): (String, String) = (row.get(0)?, row.get(1)?);
        let id = row.get(2)?;
        match (Kind::ALL.iter().find(|known| known.name() == kind), Of::named(&of)) {
            (Some(&kind), Some(of)) => saved.alerts.push(RaisedAlert { kind, of, id, json: row.get(3)? }),
            _ => saved.notes.push(format!(
                "the store has an alert {kind} of {of} {id}, which this version does not know; left out"
            )),
        }
    }
    Ok(())
}

fn newest_wall(connection: &Connection) -> rusqlite::Result<Option<Wall>> {
    let mut statement = connection.prepare("SELECT value FROM marks WHERE name = 'newest_wall'")?;
    let mut rows = statement.query_map([], |row| wall(row, 0))?;
    rows.next().transpose()
}

pub(super) fn wall(row: &Row<'_>, column: usize) -> rusqlite::Result<Wall> {
    Ok(Wall::from_millis(row.get(column)?))
}

fn write(connection: &mut Connection, batch: &[Write], flush: bool) -> rusqlite::Result<()> {
    let durable = flush || batch.iter().any(Write::grave);
    connection.pragma_update(None, "synchronous", if durable { "FULL" } else { "NORMAL" })?;
    // Taken at once, so that a busy file is told before any work.
    let transaction = connection.transaction_with_behavior(rusqlite::TransactionBehavior::Immediate)?;
    let mut newest = None;
    for item in batch {
        newest = newest.max(write_one(&transaction, item)?);
    }
    if let Some(newest) = newest {
        let mark = "INSERT INTO marks VALUES ('newest_wall', ?1)
            ON CONFLICT (name) DO UPDATE SET value = max(value, excluded.value)";
        transaction.prepare_cached(mark)?.execute([newest.millis()])?;
    }
    if flush {
        // A transaction that changes nothing would never touch the disk.
        let mark = "INSERT INTO marks VALUES ('flushes', 1) ON CONFLICT (name) DO UPDATE SET value = value + 1";
        transaction.prepare_cached(mark)?.execute([])?;
    }
    transaction.commit()
}

fn rename_flat(connection: &mut Connection, from: &str, to: &str) -> rusqlite::Result<bool> {
    let transaction = connection.transaction_with_behavior(rusqlite::TransactionBehavior::Immediate)?;
    let facts = "UPDATE facts SET id = ?2, retired = NULL WHERE kind = 'flat' AND id = ?1
        AND NOT EXISTS (SELECT 1 FROM facts WHERE kind = 'flat' AND id = ?2)";
    if transaction.execute(facts, [from, to])? == 0 {
        return Ok(false);
    }
    for sql in [
        "UPDATE OR REPLACE alerts SET id = ?2 WHERE of = 'flat' AND id = ?1",
        "UPDATE events SET id = ?2 WHERE of = 'flat' AND id = ?1",
        "UPDATE OR REPLACE weights SET flat = ?2 WHERE flat = ?1",
    ] {
        transaction.execute(sql, [from, to])?;
    }
    transaction.commit()?;
    Ok(true)
}

/// Writes one item, and says what time it was for.
fn write_one(transaction: &Transaction<'_>, item: &Write) -> rusqlite::Result<Option<Wall>> {
    let run = |sql: &str, values: &[&dyn rusqlite::ToSql]| transaction.prepare_cached(sql)?.execute(values);
    let at = match item {
        Write::Fact { of, id, json, wall } => {
            let sql = "INSERT OR REPLACE INTO facts (kind, id, json, wall) VALUES (?1, ?2, ?3, ?4)";
            run(sql, params![of.name(), id, json, wall.millis()])?;
            Some(*wall)
        }
        Write::ForgetFact { of, id } => {
            run("DELETE FROM facts WHERE kind = ?1 AND id = ?2", params![of.name(), id])?;
            None
        }
        Write::Retire { of, id, wall } => {
            let sql = "UPDATE facts SET retired = ?3 WHERE kind = ?1 AND id = ?2 AND retired IS NULL";
            run(sql, params![of.name(), id, wall.millis()])?;
            run("DELETE FROM alerts WHERE of = ?1 AND id = ?2", params![of.name(), id])?;
            Some(*wall)
        }
        Write::Alert { kind, of, id, json } => {
            run("INSERT OR REPLACE INTO alerts VALUES (?1, ?2, ?3, ?4)", params![kind.name(), of.name(), id, json])?;
            None
        }
        Write::ForgetAlert { kind, of, id } => {
            let sql = "DELETE FROM alerts WHERE kind = ?1 AND of = ?2 AND id = ?3";
            run(sql, params![kind.name(), of.name(), id])?;
            None
        }
        Write::Event { seq, wall, of, id, name, json } => {
            let seq = i64::try_from(*seq).unwrap_or(i64::MAX);
            let sql = "INSERT OR REPLACE INTO events VALUES (?1, ?2, ?3, ?4, ?5, ?6)";
            run(sql, params![seq, wall.millis(), of.name(), id, name, json])?;
            Some(*wall)
        }
        Write::Weight { flat, wall, weight, fraction } => {
            let fraction = fraction.map(crate::units::Fraction::get);
            let sql = "INSERT OR REPLACE INTO weights VALUES (?1, ?2, ?3, ?4)";
            run(sql, params![flat, wall.millis(), weight.get(), fraction])?;
            Some(*wall)
        }
        Write::Command { id, wall, answer } => {
            run("INSERT OR REPLACE INTO commands VALUES (?1, ?2, ?3)", params![id, wall.millis(), answer])?;
            run("DELETE FROM commands WHERE wall < ?1", params![(*wall - COMMANDS_KEPT).millis()])?;
            Some(*wall)
        }
    };
    Ok(at)
}
