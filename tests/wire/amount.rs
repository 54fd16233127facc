//! `tarewell amount`, by the contract, section 4.

use clap::Parser;
use tarewell::command::amount::{AmountArgs, Asked, run};

#[derive(Parser)]
struct Line {
    #[command(flatten)]
    args: AmountArgs,
}

fn ask(line: &[&str]) -> Result<Asked, Vec<String>> {
    Asked::read(&Line::try_parse_from(["amount"].iter().chain(line)).unwrap().args)
}

fn pounds(now: &str) -> Asked {
    ask(&["--dry", "7 lb", "--capacity", "11 lb", "--now", now, "--units", "us", "--flow", "2 L/h"]).unwrap()
}

fn close(got: f64, expected: f64, error: f64) {
    assert!((got - expected).abs() <= error, "{got}, expected {expected}");
}

/// The flat of the trade, in pounds: 7 dry, 11 at capacity (*common practice, no source*). Pound by NIST SP 811
/// (453.59237 g), water at 20 °C 0.9982067 g/mL (Tanaka 2001): a pound of it is 454.407 mL.
#[test]
fn the_common_flat_in_pounds() {
    let eight = pounds("8 lb").amount();
    close(eight.fraction, 0.25, 0.0);
    close(eight.water_g, 453.6, 0.0);
    close(eight.to_target_g, 453.6, 0.0);
    close(eight.to_target_ml, 454.4, 0.0);
    close(eight.target_weight_g, 9.0 * 453.592_37, 0.05);
    assert_eq!(eight.condition, "dry");
    // 454.407 mL at 2 L/h are 817.93 s.
    assert_eq!(eight.run_time_s, Some(818));

    let nine = pounds("9 lb").amount();
    assert_eq!((nine.fraction, nine.to_target_ml, nine.run_time_s), (0.5, 0.0, Some(0)));
    let seven = pounds("7 lb").amount();
    assert_eq!(seven.fraction, 0.0);
    close(seven.to_target_ml, 908.81, 0.05);
    assert_eq!(pounds("11 lb").amount().condition, "wet");
}

/// 10 lb waits one to three days until it is half (*common practice, no source*): it loses 3 to 1 mm of water a day
/// from a 21 × 11 in tray (UF/IFAS EP109), and 1 mm there is 149.03 mL.
#[test]
fn ten_pounds_wait_one_to_three_days() {
    let ten = pounds("10 lb");
    let amount = ten.amount();
    assert_eq!((amount.fraction, amount.condition, amount.to_target_g), (0.75, "moist", 0.0));
    assert!(ten.sentence().contains("Nothing to pour"));
    let millimetre = 21.0 * 11.0 * 2.54 * 2.54 / 10.0;
    close(millimetre, 149.03, 0.01);
    let to_lose = 10.0 * 453.592_37 - amount.target_weight_g;
    close(to_lose / (3.0 * millimetre), 1.01, 0.01);
    close(to_lose / millimetre, 3.04, 0.01);
}

#[test]
fn sentences_say_what_to_do() {
    assert_eq!(
        pounds("8 lb").sentence(),
        "Dry: 25 % of its water is left. Pour 15.4 fl oz; stop at 9 lb 0.0 oz. A valve runs 13 min 38 s for it."
    );
    let metric = ask(&["--dry", "2.9 kg", "--capacity", "4.5 kg", "--now", "3.3 kg"]).unwrap();
    assert_eq!(metric.sentence(), "Dry: 25 % of its water is left. Pour 400 mL; stop at 3.70 kg.");
    let wet = ask(&["--dry", "2.9 kg", "--capacity", "4.5 kg", "--now", "4.4 kg"]).unwrap();
    assert!(wet.sentence().starts_with("Wet: ") && wet.sentence().contains("down to 3.54 kg"), "{}", wet.sentence());
}

#[test]
fn limits_move_the_answer() {
    let asked = ask(&[
        "--dry",
        "2900 g",
        "--capacity",
        "4500 g",
        "--now",
        "3300 g",
        "--low",
        "0.1",
        "--water-at",
        "20%",
        "--target",
        "80%",
        "--high",
        "90%",
    ]);
    let amount = asked.unwrap().amount();
    assert_eq!((amount.condition, amount.to_target_g, amount.target_weight_g), ("moist", 880.0, 4180.0));
    assert_eq!(amount.run_time_s, None);
}

#[test]
fn a_limit_reached_after_rounding_counts_as_reached() {
    // (3379.4 − 2900) / 1600 = 0.299625, published as 0.300: no longer below low.
    let asked = ask(&["--dry", "2900 g", "--capacity", "4500 g", "--now", "3379.4 g"]).unwrap();
    assert_eq!((asked.amount().fraction, asked.amount().condition), (0.3, "due"));
}

#[test]
fn what_is_wrong_is_said_all_at_once() {
    let wrong = |line: &[&str]| ask(line).unwrap_err().join("\n");
    let base = ["--dry", "2.9 kg", "--capacity", "4.5 kg", "--now", "3.3 kg"];
    let with = |more: &[&str]| wrong(&[base.as_slice(), more].concat());
    assert!(with(&["--target", "80%"]).ends_with("add --high"), "{}", with(&["--target", "80%"]));
    assert!(with(&["--low", "45%"]).ends_with("add --water-at"));
    assert!(with(&["--high", "40%"]).ends_with("add --target"));
    assert!(with(&["--target", "80%", "--high", "70%"]).contains("out of order"));
    assert!(with(&["--target", "60"]).contains("`60%`"));
    assert!(with(&["--flow", "0 L/h"]).contains("above 0"));
    assert!(with(&["--flow", "2 L"]).contains("not a unit that fits"));
    assert!(wrong(&["--dry", "4.5 kg", "--capacity", "2.9 kg", "--now", "3 kg"]).contains("swapped"));
    let three = wrong(&["--dry", "2.9", "--capacity", "4,5 kg", "--now", "-3 kg"]);
    assert!(three.contains("--dry: `2.9` has no unit"), "{three}");
    assert!(three.contains("--capacity: a decimal point is written as a point: `4.5 kg`"), "{three}");
    assert!(three.contains("--now `-3 kg` must be above 0"), "{three}");
    assert!(wrong(&["--dry", "nan", "--capacity", "1e999 g", "--now", "inf g"]).matches("finite").count() == 3);
}

#[test]
fn implausible_weights_are_answered_with_a_note() {
    let doubt = |now| ask(&["--dry", "2.9 kg", "--capacity", "4.5 kg", "--now", now]).unwrap().doubt();
    assert_eq!(doubt("2.8 kg"), None);
    assert!(doubt("2.5 kg").unwrap().contains("lighter than its dry weight"));
    assert!(doubt("5.2 kg").unwrap().contains("more than its capacity"));
}

#[test]
fn the_exit_code_is_2_for_a_wrong_question() {
    let code = |dry| {
        let line = ["amount", "--dry", dry, "--capacity", "4.5 kg", "--now", "3.3 kg", "--json"];
        run(&Line::try_parse_from(line).unwrap().args)
    };
    assert_eq!((code("2.9 kg"), code("2.9"), code("4.5 kg")), (0, 2, 2));
}

#[test]
fn json_has_the_keys_of_the_contract() {
    let amount = ask(&["--dry", "2.9 kg", "--capacity", "4.5 kg", "--now", "3.3 kg"]).unwrap().amount();
    assert_eq!(
        serde_json::to_string(&amount).unwrap(),
        r#"{"fraction":0.25,"condition":"dry","water_g":400.0,"to_target_g":400.0,"to_target_ml":400.7,"target_weight_g":3700.0,"run_time_s":null}"#
    );
}
