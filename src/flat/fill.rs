//! What measured flats of one fill tell of the others: the fill's band with its spread, and the one that is out of line.

use super::Band;
use crate::units::{Grams, Words};

/// So many measured flats give the fill's band.
const ENOUGH: usize = 3;
/// A flat whose band differs by more than this share from the others' is told of …
const OUT_OF_LINE: f64 = 0.15;
/// … and by more than so many of their standard deviations.
const DEVIATIONS: f64 = 4.0;
/// A median absolute deviation in standard deviations of a normal distribution (1 / 0.6745).
const MAD: f64 = 1.4826;

/// The band that the measured flats of a fill have in common.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Measured {
    /// Their median dry weight.
    pub dry: Grams,
    /// The median width of their bands.
    pub width: Grams,
    /// How far one of them is from the median: a robust standard deviation of the width, and no less than that of the dry weight.
    pub spread: Grams,
}

impl Measured {
    /// From the bands of the flats that were measured; `None` for fewer than three.
    #[must_use]
    pub fn of(bands: &[Band]) -> Option<Self> {
        if bands.len() < ENOUGH {
            return None;
        }
        let (dry, of_dry) = middle(bands.iter().map(Band::dry))?;
        let (width, of_width) = middle(bands.iter().map(Band::width))?;
        Some(Self { dry, width, spread: of_dry.max(of_width) })
    }
}

/// Why a measured band is out of line with those of the other flats of its batch; `None` where it is not, or where fewer than three
/// others are known.
#[must_use]
pub fn out_of_line(own: Band, others: &[Band], words: Words) -> Option<String> {
    if others.len() < ENOUGH {
        return None;
    }
    let (width, spread) = middle(others.iter().map(Band::width))?;
    let off = (own.width() - width).abs();
    (off > (width * OUT_OF_LINE).max(spread * DEVIATIONS)).then(|| {
        format!(
            "It holds {} between dry and capacity, where {} others filled alike hold about {}. Was it soaked through, weighed with \
             water in its tray, or filled otherwise? Soak it again with record-capacity, or take the record back with undo.",
            words.weight(own.width()),
            others.len(),
            words.weight(width)
        )
    })
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
    }
}
