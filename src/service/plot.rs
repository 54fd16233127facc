//! The weights of a flat over time, as a page draws them.

use super::{Standing, called_now};
use crate::moment::Wall;
use crate::site::Site;
use crate::store::{AT_MOST, Of, Point, Reader, StoreError, thin};
use crate::web::Plotted;

/// The weights of a flat of the file, also by an id it had before, or of one that is retired, as long as they are kept; `None`: nobody knows it.
pub(super) fn weights(
    site: &Site,
    history: Option<&Reader>,
    id: &str,
    from: Option<Wall>,
    to: Option<Wall>,
) -> Option<Vec<Plotted>> {
    let (id, place) = found(site, history, id)?;
    // An earlier season is shown to who asks for its days.
    let from = from.or_else(|| site.season_begun(place?));
    let points = history.and_then(|history| weights_that_stand(history, &id, from, to).ok()).unwrap_or_default();
    let plotted = |point: Point| Plotted { at: point.at, weight: point.weight, fraction: point.fraction };
    Some(points.into_iter().map(plotted).collect())
}

/// The id that a flat's history is kept under, and its place in the file if it has one there.
fn found(site: &Site, history: Option<&Reader>, asked: &str) -> Option<(String, Option<usize>)> {
    let flats = &site.plan().flats;
    let of_the_file = |id: &str| flats.iter().position(|(flat, _)| flat == id);
    let former = || flats.iter().position(|(_, settings)| settings.formerly.as_deref() == Some(asked));
    if let Some(place) = of_the_file(asked).or_else(former) {
        return Some((flats.get(place)?.0.clone(), Some(place)));
    }
    let weighed = history?.weighed_flats().ok()?;
    if weighed.iter().any(|flat| flat == asked) {
        return Some((asked.to_owned(), None));
    }
    let renamed = history?.events_named("renamed").ok()?;
    let now = called_now(&renamed, asked)?;
    let place = of_the_file(now);
    (place.is_some() || weighed.iter().any(|flat| flat == now)).then(|| (now.to_owned(), place))
}

/// The weights of a flat without those that were taken back, thinned.
fn weights_that_stand(
    history: &Reader,
    flat: &str,
    from: Option<Wall>,
    to: Option<Wall>,
) -> Result<Vec<Point>, StoreError> {
    let events = history.events(Some((Of::Flat, flat)), usize::MAX)?;
    let taken_back = Standing::of(&events).weights_taken_back(&events);
    let mut points = history.all_weights(flat, from, to)?;
    points.retain(|point| !taken_back.has(flat, point));
    Ok(thin(points, AT_MOST))
}
