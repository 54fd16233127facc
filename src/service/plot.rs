//! The weights of a flat over time, as a page draws them.

use super::Standing;
use crate::moment::Wall;
use crate::site::Site;
use crate::store::{AT_MOST, Of, Point, Reader, StoreError, thin};
use crate::web::Plotted;

/// The weights of a flat of the file, also by its former id, or of one that is retired, as long as they are kept; `None`: nobody knows it.
pub(super) fn weights(
    site: &Site,
    history: Option<&Reader>,
    id: &str,
    from: Option<Wall>,
    to: Option<Wall>,
) -> Option<Vec<Plotted>> {
    let flats = &site.plan().flats;
    let place = flats.iter().position(|(flat, settings)| flat == id || settings.formerly.as_deref() == Some(id));
    let id = place.and_then(|place| flats.get(place)).map_or(id, |(flat, _)| flat);
    if place.is_none() && !history?.weighed_flats().ok()?.iter().any(|flat| flat == id) {
        return None;
    }
    // An earlier season is shown to who asks for its days.
    let from = from.or_else(|| site.season_begun(place?));
    let points = history.and_then(|history| weights_that_stand(history, id, from, to).ok()).unwrap_or_default();
    let plotted = |point: Point| Plotted { at: point.at, weight: point.weight, fraction: point.fraction };
    Some(points.into_iter().map(plotted).collect())
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
