//! Quantities: exact factors, and what people write.

use tarewell::moment::Span;
use tarewell::units::{
    Flow, Fraction, Grams, Millilitres, OUNCE, POUND, QuantityError, US_FLUID_OUNCE, US_GALLON, WeightUnit, Words,
    parse_drying, parse_flow, parse_fraction, parse_mass, parse_span, parse_volume,
};

fn near(value: f64, expected: f64) {
    assert!((value - expected).abs() <= 1e-9 * expected.abs().max(1.0), "{value} is not {expected}");
}

/// NIST SP 811 (2008), appendix B.8, and Handbook 44, appendix C: exact by definition. (From memory, and equal to what the
/// registry library pint 0.25 prints.)
#[test]
fn factors_are_exact() {
    near(POUND, 453.592_37);
    near(OUNCE, 28.349_523_125);
    near(US_GALLON, 231.0 * 16.387_064);
    near(US_FLUID_OUNCE, 29.573_529_562_5);
    assert_eq!(WeightUnit::Kilogram.grams(), Some(1000.0));
    assert_eq!(WeightUnit::Counts.grams(), None);
}

#[test]
fn masses_are_read_as_written() {
    for (text, grams) in [
        ("2900 g", 2900.0),
        ("2.9 kg", 2900.0),
        ("2.9kg", 2900.0),
        (" 1e3 g ", 1000.0),
        ("6.4 lb", 6.4 * 453.592_37),
        ("7 lb 3 oz", 7.0 * 453.592_37 + 3.0 * 28.349_523_125),
        ("7lb 3oz", 7.0 * 453.592_37 + 3.0 * 28.349_523_125),
        ("-3 g", -3.0),
        ("-1 lb 8 oz", -1.5 * 453.592_37),
        (".5 oz", 0.5 * 28.349_523_125),
    ] {
        near(parse_mass(text).unwrap().get(), grams);
    }
}

#[test]
fn other_quantities_are_read_as_written() {
    near(parse_volume("180 mL").unwrap().get(), 180.0);
    near(parse_volume("1.5 L").unwrap().get(), 1500.0);
    near(parse_volume("6 fl oz").unwrap().get(), 6.0 * 29.573_529_562_5);
    near(parse_volume("1 gal").unwrap().get(), 3_785.411_784);
    near(parse_flow("2 L/h").unwrap().get(), 2000.0 / 3600.0);
    near(parse_flow("90 mL/min").unwrap().in_ml_per_min(), 90.0);
    near(parse_flow("0.5 gal/h").unwrap().get(), 0.5 * 3_785.411_784 / 3600.0);
    near(parse_drying("180 g/h").unwrap().get(), 180.0);
    assert_eq!(parse_span("90 min").unwrap(), Span::minutes(90));
    assert_eq!(parse_span("1.5 s").unwrap(), Span::from_millis(1500));
    assert_eq!(parse_span("3 d").unwrap(), Span::days(3));
    near(parse_fraction("30%").unwrap().get(), 0.3);
    near(parse_fraction("30 %").unwrap().get(), 0.3);
    near(parse_fraction("0.3").unwrap().get(), 0.3);
}

#[test]
fn what_is_no_quantity_says_why() {
    let error = |text: &str| parse_mass(text).unwrap_err();
    assert_eq!(error(""), QuantityError::Empty);
    assert!(matches!(error("heavy"), QuantityError::NotANumber { .. }));
    assert!(matches!(error("nan g"), QuantityError::NotFinite { .. }));
    assert!(matches!(error("-inf kg"), QuantityError::NotFinite { .. }));
    assert!(matches!(error("1e999 g"), QuantityError::NotFinite { .. }));
    assert!(error("1,986 g").to_string().ends_with("write `1986 g` for the one, or `1.986 g` for the other"));
    assert!(error("2,9 kg").to_string().ends_with("a point: `2.9 kg`"));
    assert_eq!(error("2,9 kg"), QuantityError::CommaDecimal { with_point: "2.9 kg".to_owned() });
    assert!(matches!(error("2900"), QuantityError::NoUnit { .. }));
    assert!(matches!(error("7 lb 3"), QuantityError::NoUnit { .. }));
    assert!(matches!(error("7 lb 3 g"), QuantityError::UnknownUnit { .. }));
    assert!(matches!(error("12 stone"), QuantityError::UnknownUnit { .. }));
    assert!(error("2900").to_string().contains("write `2900 g`"));
    assert!(matches!(parse_volume("3 g"), Err(QuantityError::UnknownUnit { .. })));
    assert!(matches!(parse_flow("3 L"), Err(QuantityError::UnknownUnit { .. })));
    assert!(matches!(parse_span("9e99 d"), Err(QuantityError::NotFinite { .. })));
    assert!(matches!(parse_fraction("half"), Err(QuantityError::NotANumber { .. })));
}

#[test]
fn people_read_round_numbers_in_their_own_units() {
    assert_eq!(Words::Metric.weight(Grams::new(3700.0)), "3.70 kg");
    assert_eq!(Words::Metric.weight(Grams::new(840.4)), "840 g");
    assert_eq!(Words::Us.weight(Grams::new(8.0 * POUND + 2.5 * OUNCE)), "8 lb 2.5 oz");
    assert_eq!(Words::Us.weight(Grams::new(0.99 * POUND)), "15.8 oz");
    assert_eq!(Words::Us.weight(Grams::new(15.97 * OUNCE)), "1 lb 0.0 oz");
    assert_eq!(Words::Metric.volume(Millilitres::new(400.7)), "400 mL");
    assert_eq!(Words::Metric.volume(Millilitres::new(1352.0)), "1.35 L");
    assert_eq!(Words::Metric.volume(Millilitres::new(12.3)), "12 mL");
    assert_eq!(Words::Us.volume(Millilitres::new(400.7)), "13.5 fl oz");
}

#[test]
fn nothing_that_is_not_finite_comes_in() {
    assert_eq!(Grams::checked(f64::NAN), None);
    assert_eq!(Flow::checked(f64::INFINITY), None);
    assert_eq!(Fraction::new(0.299_6).rounded(), Fraction::new(0.3));
}
