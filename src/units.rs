//! A type for each quantity that must not be mixed, and the exact factors between units.
//!
//! Inside the program every mass is in grams, every volume in millilitres, every flow in millilitres a second,
//! every rate of drying in grams an hour. Other units exist at the edges only: in the configuration, in a stand's
//! payload, in words for people.
//!
//! Factors are the exact definitions of NIST SP 811 (2008), appendix B.8 and Handbook 44, appendix C.

mod text;
mod water;

pub(crate) use text::thousands;
pub use text::{QuantityError, parse_drying, parse_flow, parse_fraction, parse_mass, parse_span, parse_volume};
pub use water::{WATER_20, density_of_water};

use serde::{Deserialize, Serialize};

/// Grams in a pound avoirdupois, exact.
pub const POUND: f64 = 453.592_37;
/// Grams in an ounce avoirdupois, exact.
pub const OUNCE: f64 = POUND / 16.0;
/// Millilitres in a US gallon (231 cubic inches), exact.
pub const US_GALLON: f64 = 3_785.411_784;
/// Millilitres in a US fluid ounce, exact.
pub const US_FLUID_OUNCE: f64 = US_GALLON / 128.0;

macro_rules! quantity {
    ($(#[$doc:meta])* $name:ident) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Default, Serialize, Deserialize)]
        #[serde(transparent)]
        pub struct $name(f64);

        impl $name {
            /// Nothing of it.
            pub const ZERO: Self = Self(0.0);

            /// A value known to be finite.
            #[must_use]
            pub const fn new(value: f64) -> Self {
                debug_assert!(value.is_finite());
                Self(value)
            }

            /// A value from outside; `None` for NaN and infinity.
            #[must_use]
            pub fn checked(value: f64) -> Option<Self> {
                value.is_finite().then_some(Self(value))
            }

            /// The bare number, in the unit of the type.
            #[must_use]
            pub const fn get(self) -> f64 {
                self.0
            }

            /// The larger of two.
            #[must_use]
            pub fn max(self, other: Self) -> Self {
                Self(self.0.max(other.0))
            }

            /// The smaller of two.
            #[must_use]
            pub fn min(self, other: Self) -> Self {
                Self(self.0.min(other.0))
            }

            /// Without its sign.
            #[must_use]
            pub fn abs(self) -> Self {
                Self(self.0.abs())
            }
        }

        impl std::ops::Add for $name {
            type Output = Self;
            fn add(self, other: Self) -> Self { Self(self.0 + other.0) }
        }
        impl std::ops::Sub for $name {
            type Output = Self;
            fn sub(self, other: Self) -> Self { Self(self.0 - other.0) }
        }
        impl std::ops::Neg for $name {
            type Output = Self;
            fn neg(self) -> Self { Self(-self.0) }
        }
        impl std::ops::AddAssign for $name {
            fn add_assign(&mut self, other: Self) { self.0 += other.0; }
        }
        impl std::ops::SubAssign for $name {
            fn sub_assign(&mut self, other: Self) { self.0 -= other.0; }
        }
        impl std::ops::Mul<f64> for $name {
            type Output = Self;
            fn mul(self, factor: f64) -> Self { Self(self.0 * factor) }
        }
        impl std::ops::Div<f64> for $name {
            type Output = Self;
            fn div(self, divisor: f64) -> Self { Self(self.0 / divisor) }
        }
        impl std::ops::Div for $name {
            type Output = f64;
            fn div(self, other: Self) -> f64 { self.0 / other.0 }
        }
        impl std::iter::Sum for $name {
            fn sum<I: Iterator<Item = Self>>(items: I) -> Self {
                Self(items.map(|item| item.0).sum())
            }
        }
    };
}

quantity! {
    /// A mass, or a weight as a scale shows it, in grams.
    Grams
}
quantity! {
    /// A volume in millilitres.
    Millilitres
}
quantity! {
    /// A flow in millilitres a second.
    Flow
}
quantity! {
    /// A rate of drying in grams an hour; positive while water is lost.
    GramsPerHour
}
quantity! {
    /// A share of a flat's band: 0 at dry weight, 1 at capacity; outside of that when drier or fuller.
    Fraction
}
quantity! {
    /// A temperature in degrees Celsius.
    Celsius
}

impl Grams {
    /// The volume of this mass of water at 20 °C.
    #[must_use]
    pub fn of_water(self) -> Millilitres {
        Millilitres(self.0 / WATER_20)
    }
}

impl Millilitres {
    /// The mass of this volume of water at 20 °C.
    #[must_use]
    pub fn mass(self) -> Grams {
        Grams(self.0 * WATER_20)
    }
}

impl Flow {
    /// From millilitres a minute.
    #[must_use]
    pub const fn per_minute(millilitres: f64) -> Self {
        Self(millilitres / 60.0)
    }

    /// In millilitres a minute, as published.
    #[must_use]
    pub fn in_ml_per_min(self) -> f64 {
        self.0 * 60.0
    }
}

impl Fraction {
    /// Rounded to 0.001, as it is compared and published (contract, section 1).
    #[must_use]
    pub fn rounded(self) -> Self {
        // Adding 0 makes a 0 of −0.
        Self((self.0 * 1000.0).round() / 1000.0 + 0.0)
    }

    /// In percent.
    #[must_use]
    pub fn percent(self) -> f64 {
        self.0 * 100.0
    }
}

/// The unit in which a stand publishes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum WeightUnit {
    /// Grams.
    #[default]
    Gram,
    /// Kilograms.
    Kilogram,
    /// Pounds avoirdupois.
    Pound,
    /// Ounces avoirdupois.
    Ounce,
    /// Raw counts of a converter; needs a zero and counts per gram.
    Counts,
}

impl WeightUnit {
    /// Grams in one of this unit; `None` for counts.
    #[must_use]
    pub const fn grams(self) -> Option<f64> {
        match self {
            Self::Gram => Some(1.0),
            Self::Kilogram => Some(1000.0),
            Self::Pound => Some(POUND),
            Self::Ounce => Some(OUNCE),
            Self::Counts => None,
        }
    }

    /// How the unit is written in the configuration.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Gram => "g",
            Self::Kilogram => "kg",
            Self::Pound => "lb",
            Self::Ounce => "oz",
            Self::Counts => "counts",
        }
    }
}

/// Which units people read; the wire is metric always.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Words {
    /// Grams, kilograms, millilitres, litres.
    #[default]
    Metric,
    /// Pounds and ounces, US fluid ounces, US gallons.
    Us,
}

impl Words {
    /// A weight to stop at, as it would be read off a scale: `3.70 kg`, `840 g`, `8 lb 2.5 oz`.
    #[must_use]
    pub fn weight(self, mass: Grams) -> String {
        match self {
            Self::Metric if mass.0.abs() >= 999.5 => format!("{:.2} kg", mass.0 / 1000.0),
            Self::Metric => format!("{:.0} g", mass.0),
            Self::Us => pounds_and_ounces(mass),
        }
    }

    /// A volume to pour, rounded to what a jug can measure: `400 mL`, `1.35 L`, `13.5 fl oz`.
    #[must_use]
    pub fn volume(self, volume: Millilitres) -> String {
        let ml = volume.0;
        match self {
            Self::Metric if ml.abs() >= 995.0 => format!("{:.2} L", ml / 1000.0),
            Self::Metric if ml.abs() >= 50.0 => format!("{:.0} mL", (ml / 5.0).round() * 5.0),
            Self::Metric => format!("{ml:.0} mL"),
            Self::Us if ml >= US_GALLON => format!("{:.2} gal", ml / US_GALLON),
            Self::Us => format!("{:.1} fl oz", ml / US_FLUID_OUNCE),
        }
    }
}

fn pounds_and_ounces(mass: Grams) -> String {
    let tenths = (mass.0.abs() / OUNCE * 10.0).round();
    let sign = if mass.0 < 0.0 && tenths > 0.0 { "-" } else { "" };
    let pounds = (tenths / 160.0).floor();
    let ounces = (tenths - pounds * 160.0) / 10.0;
    if pounds > 0.0 { format!("{sign}{pounds:.0} lb {ounces:.1} oz") } else { format!("{sign}{ounces:.1} oz") }
}
