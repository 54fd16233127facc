//! Keeping the file small: weights older than a month one an hour, everything past gone after 400 days.

use super::{Store, StoreError};
use crate::moment::{Span, Wall};
use rusqlite::{OptionalExtension, Transaction, params};

/// Weights younger than this are kept as they were written.
const WHOLE: Span = Span::days(30);
/// Weights, events, and facts of what is retired are kept so long.
const KEPT: Span = Span::days(400);
const HOUR: i64 = Span::hours(1).millis();

impl Store {
    /// Thins what is old and drops what is too old; to be called about once a day, and not while the clock is not set.
    ///
    /// Of weights older than 30 days the first of each hour is kept. Weights, events and retired facts older than 400 days
    /// go, except the last event, which carries the number on. Each flat is one transaction of its own.
    ///
    /// # Errors
    /// When the file cannot be written; what was not done is done the next time.
    pub fn compact(&mut self, now: Wall) -> Result<(), StoreError> {
        self.compact_all(now).map_err(StoreError::sql("thin the store"))
    }

    fn compact_all(&mut self, now: Wall) -> rusqlite::Result<()> {
        let gone = (now - KEPT).millis();
        // Whole hours only, so that the rest of an hour is not counted as one of its own the next time.
        let until = (now - WHOLE).millis().div_euclid(HOUR) * HOUR;
        let since = self.mark("thinned_until")?.unwrap_or(i64::MIN);
        let mut flat = String::new();
        while let Some(next) = self.flat_after(&flat)? {
            let transaction = self.connection.transaction()?;
            thin(&transaction, &next, since, until, gone)?;
            transaction.commit()?;
            flat = next;
        }
        let transaction = self.connection.transaction()?;
        transaction.execute("DELETE FROM events WHERE wall < ?1 AND seq < (SELECT max(seq) FROM events)", [gone])?;
        transaction.execute("DELETE FROM facts WHERE retired < ?1", [gone])?;
        transaction.execute("INSERT OR REPLACE INTO marks VALUES ('thinned_until', ?1)", [until])?;
        transaction.commit()
    }

    fn mark(&self, name: &str) -> rusqlite::Result<Option<i64>> {
        self.connection.query_row("SELECT value FROM marks WHERE name = ?1", [name], |row| row.get(0)).optional()
    }

    /// Steps from name to name through the index, instead of reading every weight.
    fn flat_after(&self, flat: &str) -> rusqlite::Result<Option<String>> {
        self.connection.query_row("SELECT min(flat) FROM weights WHERE flat > ?1", [flat], |row| row.get(0))
    }
}

fn thin(transaction: &Transaction<'_>, flat: &str, since: i64, until: i64, gone: i64) -> rusqlite::Result<()> {
    transaction.prepare_cached("DELETE FROM weights WHERE flat = ?1 AND wall < ?2")?.execute(params![flat, gone])?;
    let sql = "DELETE FROM weights WHERE flat = ?1 AND wall >= ?2 AND wall < ?3 AND wall NOT IN (
            SELECT min(wall) FROM weights WHERE flat = ?1 AND wall >= ?2 AND wall < ?3 GROUP BY wall / 3600000
        )";
    transaction.prepare_cached(sql)?.execute(params![flat, since, until])?;
    Ok(())
}
