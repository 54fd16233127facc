//! What measured flats of one fill tell of the others: the fill's band with its spread, and the one that is out of line.

use super::Band;
use crate::units::{Grams, Words};
use serde::{Deserialize, Serialize};

/// A flat whose band differs by more than this share from the others' is told of …
const OUT_OF_LINE: f64 = 0.15;
/// … and by more than so many of their standard deviations.
const DEVIATIONS: f64 = 4.0;
/// A median absolute deviation in standard deviations of a normal distribution (1 / 0.6745).
const MAD: f64 = 1.4826;

/// The band that the measured flats of a fill have in common.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Measured {
    /// Their median dry weight.
    pub dry: Grams,
    /// The median width of their bands.
    pub width: Grams,
    /// How far one of them is from the median: a robust standard deviation of the width, and no less than that of the dry weight.
    pub spread: Grams,
}

impl Measured {
    /// So many measured flats give the fill's band, and so many others say that one is out of line.
    pub const ENOUGH: usize = 3;

    /// From the bands of the flats that were measured; `None` for fewer than three.
    #[must_use]
    pub fn of(bands: &[Band]) -> Option<Self> {
        if bands.len() < Self::ENOUGH {
            return None;
        }
        let (dry, of_dry) = middle(bands.iter().map(Band::dry))?;
        let (width, of_width) = middle(bands.iter().map(Band::width))?;
        Some(Self { dry, width, spread: of_dry.max(of_width) })
    }
}

/// All that a fill says of the band of a flat.
///
/// The file's numbers are meant, so each goes before what other flats have shown. What is still missing then is what three
/// measured flats have in common; with one end known, their width from there, since two trays filled alike may differ in what
/// they weigh, but hardly in what their mix takes up.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Recipe {
    /// Its dry weight in the file.
    pub dry: Option<Grams>,
    /// Its capacity weight in the file.
    pub capacity: Option<Grams>,
    /// What measured flats of this fill have in common.
    pub shown: Option<Measured>,
}

/// The ends of a band, as far as they are known.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct KnownEnds {
    /// The lower one.
    pub dry: Option<Grams>,
    /// The upper one.
    pub capacity: Option<Grams>,
    /// How far they may be off because they are those of other flats.
    pub spread: Grams,
}

impl Recipe {
    /// The ends of a flat whose own are these.
    #[must_use]
    pub fn ends(&self, own_dry: Option<Grams>, own_capacity: Option<Grams>) -> KnownEnds {
        let (dry, capacity) = (own_dry.or(self.dry), own_capacity.or(self.capacity));
        let (spread, shown) = match (dry, capacity, self.shown) {
            (None, _, Some(shown)) | (_, None, Some(shown)) => (shown.spread, shown),
            _ => return KnownEnds { dry, capacity, spread: Grams::ZERO },
        };
        let dry = dry.or(capacity.map(|capacity| capacity - shown.width)).unwrap_or(shown.dry);
        KnownEnds { dry: Some(dry), capacity: Some(capacity.unwrap_or(dry + shown.width)), spread }
    }
}

/// Why a measured band is out of line with those of the other flats of its batch; `None` where it is not, or where fewer than three
/// others are known.
#[must_use]
pub fn out_of_line(own: Band, others: &[Band], words: Words) -> Option<String> {
    if others.len() < Measured::ENOUGH {
        return None;
    }
    let count = others.len();
    if let Some(width) = differs(own.width(), others.iter().map(Band::width)) {
        return Some(format!(
            "It holds {} between dry and capacity, where {count} others filled alike hold about {}. Was it soaked through, weighed \
             with water in its tray, or filled otherwise? Soak it again with record-capacity, or take the record back with undo.",
            words.weight(own.width()),
            words.weight(width)
        ));
    }
    let dry = differs(own.dry(), others.iter().map(Band::dry))?;
    Some(format!(
        "As filled it weighed {}, where {count} others filled alike weighed about {}. Was it watered already, on another tray, or \
         is it another flat? Take the record back with undo; if it is filled otherwise, give it a fill of its own in the file.",
        words.weight(own.dry()),
        words.weight(dry)
    ))
}

/// The median of `others`, where `own` is out of line with them. Where a third of them are like it there are two kinds of flats,
/// none of them odd.
fn differs(own: Grams, others: impl Iterator<Item = Grams>) -> Option<Grams> {
    let others: Vec<Grams> = others.collect();
    let (median, spread) = middle(others.iter().copied())?;
    let bound = (median * OUT_OF_LINE).max(spread * DEVIATIONS);
    let alike = others.iter().filter(|other| (**other - own).abs() <= own * OUT_OF_LINE).count();
    ((own - median).abs() > bound && alike * 3 < others.len()).then_some(median)
}

/// Median, and robust standard deviation.
fn middle(values: impl Iterator<Item = Grams>) -> Option<(Grams, Grams)> {
    let values: Vec<f64> = values.map(Grams::get).collect();
    let median = median(values.clone())?;
    let off = values.iter().map(|value| (value - median).abs()).collect();
    Some((Grams::new(median), Grams::new(self::median(off)? * MAD)))
}

fn median(mut values: Vec<f64>) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    let half = values.len() / 2;
    let upper = *values.get(half)?;
    if values.len() % 2 == 1 { Some(upper) } else { Some((values.get(half.checked_sub(1)?)? + upper) / 2.0) }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn bands(pairs: &[(f64, f64)]) -> Vec<Band> {
        pairs.iter().filter_map(|(dry, width)| Band::new(Grams::new(*dry), Grams::new(dry + width))).collect()
    }

    #[test]
    fn three_flats_give_the_median_and_one_of_them_does_not_move_it() {
        assert_eq!(Measured::of(&bands(&[(2000.0, 1000.0), (2010.0, 1010.0)])), None);
        let measured = Measured::of(&bands(&[(2000.0, 1000.0), (2010.0, 1010.0), (1400.0, 400.0)])).unwrap();
        assert_eq!((measured.dry, measured.width), (Grams::new(2000.0), Grams::new(1000.0)));
        // Deviations of the widths: 0, 10, 600; their median is 10.
        assert!((measured.spread.get() - 14.826).abs() < 1e-9);
    }

    #[test]
    fn the_one_out_of_line_is_told_and_the_others_are_not() {
        let alike = bands(&[(2000.0, 1000.0), (2010.0, 1030.0), (1990.0, 980.0), (2005.0, 1010.0)]);
        let odd = Band::new(Grams::new(2000.0), Grams::new(2700.0)).unwrap();
        let text = out_of_line(odd, &alike, Words::Metric).unwrap();
        assert!(text.contains("700 g") && text.contains("4 others") && text.contains("1.00 kg"), "{text}");
        assert_eq!(out_of_line(alike[1], &alike, Words::Metric), None);
        assert_eq!(out_of_line(odd, &alike[..2], Words::Metric), None, "two say too little");
        // 700 g heavier at both ends: the width is the others', the weight is not.
        let heavy = Band::new(Grams::new(2700.0), Grams::new(3700.0)).unwrap();
        let text = out_of_line(heavy, &alike, Words::Metric).unwrap();
        assert!(text.contains("2.70 kg") && text.contains("about 2.00 kg"), "{text}");
    }
}
