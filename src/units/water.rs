//! The density of water, for turning a volume that was poured into a mass that a scale shows.

/// Density of water at 20 °C in g/mL, by [`density_of_water`]: 998.2067 kg/m³.
pub const WATER_20: f64 = density_of_water(20.0) / 1000.0;

/// Density of air-free water at 101.325 kPa in kg/m³, for 0 to 40 °C.
///
/// Tanaka, Girard, Davis, Peuto and Bignell 2001, Metrologia 38:301-309, the formula that CIPM recommends:
/// ρ = a₅ [1 − (t + a₁)² (t + a₂) / (a₃ (t + a₄))].
#[must_use]
pub const fn density_of_water(celsius: f64) -> f64 {
    const A1: f64 = -3.983_035;
    const A2: f64 = 301.797;
    const A3: f64 = 522_528.9;
    const A4: f64 = 69.348_81;
    const A5: f64 = 999.974_950;
    let shifted = celsius + A1;
    A5 * (1.0 - shifted * shifted * (celsius + A2) / (A3 * (celsius + A4)))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Tanaka 2001 as computed outside; tests/oracle/water_density.py holds the table against IAPWS-95 (CoolProp) and IF97
    /// (iapws).
    const TABLE: &str = include_str!("../../tests/data/water_density.csv");

    #[test]
    fn agrees_with_published_densities() {
        let rows = TABLE.lines().skip(1).map(|row| row.split_once(',').unwrap());
        for (celsius, expected) in rows {
            let (celsius, expected): (f64, f64) = (celsius.parse().unwrap(), expected.parse().unwrap());
            assert!((density_of_water(celsius) - expected).abs() < 1e-4, "{celsius} °C");
        }
    }
}
