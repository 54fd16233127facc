//! Reading what was: weights for plots, events, also beside a process that writes.

use super::file::wall;
use super::words::{KeptEvent, Of, Point};
use super::{StoreError, schema};
use crate::moment::Wall;
use crate::units::{Fraction, Grams};
use rusqlite::{Connection, OpenFlags, Row, params};
use std::path::Path;

/// The most points a history has.
pub const AT_MOST: usize = 2000;

/// Reads a store without holding it, also while another process or thread writes to it.
#[derive(Debug)]
pub struct Reader {
    connection: Connection,
}

impl Reader {
    /// Opens a store that exists.
    ///
    /// # Errors
    /// When it does not, cannot be read, or is no store of this version.
    pub fn open(path: &Path) -> Result<Self, StoreError> {
        let connection = Connection::open_with_flags(path, OpenFlags::SQLITE_OPEN_READ_ONLY)
            .map_err(StoreError::sql("open the store for reading"))?;
        let found = schema::layout(&connection, Some(path))?;
        let known = i64::try_from(schema::STEPS.len()).unwrap_or(i64::MAX);
        if found > known {
            return Err(StoreError::Newer { path: path.to_owned(), found, known });
        }
        connection.pragma_update(None, "cache_size", -512).map_err(StoreError::sql("open the store for reading"))?;
        Ok(Self { connection })
    }

    /// As [`Store::history`](super::Store::history).
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn history(
        &self,
        flat: &str,
        from: Option<Wall>,
        to: Option<Wall>,
        at_most: usize,
    ) -> Result<Vec<Point>, StoreError> {
        weights(&self.connection, flat, from, to, at_most)
    }

    /// As [`Store::load`](super::Store::load).
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn load(&self) -> Result<super::Saved, StoreError> {
        super::file::load(&self.connection).map_err(StoreError::sql("read the store"))
    }

    /// Every flat of which weights are kept, also those that are no longer in the configuration.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn weighed_flats(&self) -> Result<Vec<String>, StoreError> {
        let read = || -> rusqlite::Result<Vec<String>> {
            let mut statement = self.connection.prepare("SELECT DISTINCT flat FROM weights ORDER BY flat")?;
            statement.query_map([], |row| row.get(0))?.collect()
        };
        read().map_err(StoreError::sql("read the history"))
    }

    /// All weights of a flat that are kept, not thinned.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn all_weights(&self, flat: &str, from: Option<Wall>, to: Option<Wall>) -> Result<Vec<Point>, StoreError> {
        points(&self.connection, flat, from, to)
    }

    /// All events of this name, oldest first. All events are looked at for it.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn events_named(&self, name: &str) -> Result<Vec<KeptEvent>, StoreError> {
        let read = || -> rusqlite::Result<Vec<KeptEvent>> {
            let sql = "SELECT seq, wall, of, id, name, json FROM events WHERE name = ?1 ORDER BY seq";
            self.connection.prepare_cached(sql)?.query_map([name], event)?.collect()
        };
        read().map_err(StoreError::sql("read the events"))
    }

    /// As [`Store::events`](super::Store::events).
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn events(&self, of: Option<(Of, &str)>, at_most: usize) -> Result<Vec<KeptEvent>, StoreError> {
        events(&self.connection, of, at_most)
    }
}

pub(super) fn weights(
    connection: &Connection,
    flat: &str,
    from: Option<Wall>,
    to: Option<Wall>,
    at_most: usize,
) -> Result<Vec<Point>, StoreError> {
    Ok(thin(points(connection, flat, from, to)?, at_most.min(AT_MOST)))
}

fn points(connection: &Connection, flat: &str, from: Option<Wall>, to: Option<Wall>) -> Result<Vec<Point>, StoreError> {
    let from = from.map_or(i64::MIN, Wall::millis);
    let to = to.map_or(i64::MAX, Wall::millis);
    let sql = "SELECT wall, weight, fraction FROM weights WHERE flat = ?1 AND wall >= ?2 AND wall <= ?3 ORDER BY wall";
    let read = || -> rusqlite::Result<Vec<Point>> {
        let mut statement = connection.prepare_cached(sql)?;
        statement.query_map(params![flat, from, to], point)?.collect()
    };
    read().map_err(StoreError::sql("read the history"))
}

fn point(row: &Row<'_>) -> rusqlite::Result<Point> {
    Ok(Point {
        at: wall(row, 0)?,
        weight: Grams::checked(row.get(1)?).unwrap_or_default(),
        fraction: row.get::<_, Option<f64>>(2)?.and_then(Fraction::checked),
    })
}

/// Of points in order of time at most so many: the first, the last, and of each of equal stretches of time between them
/// the lightest and the heaviest.
#[must_use]
pub fn thin(points: Vec<Point>, at_most: usize) -> Vec<Point> {
    if points.len() <= at_most {
        return points;
    }
    let (Some(first), Some(last)) = (points.first().copied(), points.last().copied()) else { return points };
    match at_most {
        0 => return Vec::new(),
        1 => return vec![last],
        _ => {}
    }
    let stretches = i64::try_from((at_most - 2) / 2).unwrap_or(i64::MAX);
    let whole = last.at.since(first.at).millis().max(1);
    let stretch_of = |point: &Point| {
        let stretch = i128::from(point.at.since(first.at).millis()) * i128::from(stretches) / i128::from(whole);
        i64::try_from(stretch).unwrap_or(0).min(stretches - 1)
    };
    let between = points.get(1..points.len() - 1).unwrap_or_default();
    let mut kept = vec![first];
    if stretches > 0 {
        for stretch in between.chunk_by(|a, b| stretch_of(a) == stretch_of(b)) {
            kept.extend(extremes(stretch));
        }
    }
    kept.push(last);
    kept
}

/// The lightest and the heaviest, in order of time; one point if they are the same.
fn extremes(stretch: &[Point]) -> impl Iterator<Item = Point> {
    let by_weight = |a: &&Point, b: &&Point| a.weight.get().total_cmp(&b.weight.get());
    let lightest = stretch.iter().min_by(by_weight).copied();
    let heaviest = stretch.iter().max_by(by_weight).copied();
    let (early, late) =
        if lightest.map(|p| p.at) <= heaviest.map(|p| p.at) { (lightest, heaviest) } else { (heaviest, lightest) };
    early.into_iter().chain(late.filter(|late| early.map(|p| p.at) != Some(late.at)))
}

pub(super) fn events(
    connection: &Connection,
    of: Option<(Of, &str)>,
    at_most: usize,
) -> Result<Vec<KeptEvent>, StoreError> {
    let at_most = i64::try_from(at_most).unwrap_or(i64::MAX);
    let columns = "SELECT seq, wall, of, id, name, json FROM events";
    let read = || -> rusqlite::Result<Vec<KeptEvent>> {
        match of {
            Some((of, id)) => {
                let sql = format!("{columns} WHERE of = ?1 AND id = ?2 ORDER BY seq DESC LIMIT ?3");
                connection.prepare_cached(&sql)?.query_map(params![of.name(), id, at_most], event)?.collect()
            }
            None => {
                let sql = format!("{columns} ORDER BY seq DESC LIMIT ?1");
                connection.prepare_cached(&sql)?.query_map([at_most], event)?.collect()
            }
        }
    };
    let mut events = read().map_err(StoreError::sql("read the events"))?;
    events.reverse();
    Ok(events)
}

fn event(row: &Row<'_>) -> rusqlite::Result<KeptEvent> {
    Ok(KeptEvent {
        seq: u64::try_from(row.get::<_, i64>(0)?).unwrap_or(0),
        wall: wall(row, 1)?,
        of: Of::named(row.get_ref(2)?.as_str()?).unwrap_or(Of::Site),
        id: row.get(3)?,
        name: row.get(4)?,
        json: row.get(5)?,
    })
}
