//! What a division is worth: the error that legal metrology allows a scale of so many divisions.

use crate::units::Grams;

/// Upper ends of the steps of accuracy class III, in divisions, with the error allowed at first verification.
/// OIML R76-1:2006, table 6 (class III); NIST Handbook 44, 2.20, table 6 has a fourth step above 4000 divisions.
const STEPS: [(f64, f64); 3] = [(500.0, 0.5), (2000.0, 1.0), (4000.0, 1.5)];
const BEYOND: f64 = 2.5;

/// The error allowed in service at a load of so many divisions, in divisions; class III of NIST Handbook 44, table 6,
/// maintenance tolerance, which is twice the acceptance tolerance, as in OIML R76 (3.5.2, in service).
#[must_use]
pub fn error_in_service(divisions: f64) -> f64 {
    2.0 * STEPS.iter().find(|(end, _)| divisions.abs() <= *end).map_or(BEYOND, |(_, error)| *error)
}

/// The standard uncertainty of one weight, in grams: what is allowed in service, taken as evenly spread
/// (GUM, JCGM 100:2008, 4.3.7: a half-width over √3), and the noise of the readings.
#[must_use]
pub fn standard_error(load: Grams, division: Grams, noise: Grams) -> Grams {
    let divisions = load.get() / division.get().max(f64::MIN_POSITIVE);
    let allowed = error_in_service(divisions) * division.get() / 3.0_f64.sqrt();
    Grams::new(allowed.hypot(noise.get()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn steps_are_those_of_the_tables() {
        // NIST Handbook 44, section 2.20, table 6, class III: acceptance 0.5, 1, 1.5, 2.5; maintenance 1, 2, 3, 5.
        // OIML R76-1, table 6, class III: the same at first verification up to 2000; doubled in service.
        let table = [(100.0, 1.0), (500.0, 1.0), (501.0, 2.0), (2000.0, 2.0), (2001.0, 3.0)];
        let more = [(3000.0, 3.0), (4000.0, 3.0), (4001.0, 5.0), (5000.0, 5.0), (10_000.0, 5.0)];
        for (load, allowed) in table.into_iter().chain(more) {
            assert!((error_in_service(load) - allowed).abs() < 1e-12, "{load}");
        }
    }

    #[test]
    fn a_coarse_scale_is_worth_less() {
        // A 6 kg stand with e = 2 g: 2 g to 1 kg, 4 g to 4 kg, 6 g to 6 kg in service (worked from the same table).
        let at = |load| error_in_service(load / 2.0) * 2.0;
        assert_eq!((at(1000.0), at(4000.0), at(6000.0)), (2.0, 4.0, 6.0));
        let error = standard_error(Grams::new(3300.0), Grams::new(1.0), Grams::ZERO);
        assert!((error.get() - 3.0_f64.sqrt()).abs() < 1e-12);
    }
}
