//! What happens to a flat while the program ends and begins again.

use crate::bases::{House, LEEKS, OWN, is_watered};
use tarewell::site::{Command, Happening, Was};

fn watered(house: &House) -> Vec<f64> {
    let amount = |what: &Happening| match what {
        Happening::Watered { kept, .. } => Some(kept.get()),
        _ => None,
    };
    house.events.iter().filter_map(|event| amount(&event.what)).collect()
}

/// Ends without warning `after` seconds after the water came, with what was written down until then, and is away for `away`.
fn water_and_end(after: u32, away: f64, dried_for: u32) -> House {
    let mut house = House::new();
    house.reads(OWN, 2900.0, 20);
    let weight = house.dries(OWN, 2900.0, 10.0, dried_for);
    house.reads(OWN, weight, 30);
    if after > 0 {
        house.reads(OWN, weight + 300.0, after);
    }
    house.crash(away);
    house.reads(OWN, weight + 300.0 - 10.0 * away / 3600.0, 900);
    house
}

#[test]
fn water_that_came_just_before_a_restart_or_meanwhile_is_told_once() {
    // Seconds before it ended (0: after), seconds that it was away.
    let cases =
        [(3, 5.0), (30, 30.0), (60, 600.0), (120, 5.0), (200, 60.0), (0, 120.0), (0, 3600.0), (0, 6.0 * 3600.0)];
    for (after, away) in cases {
        for dried_for in [2, 40] {
            let mut house = water_and_end(after, away, dried_for);
            let told = watered(&house);
            let case = format!("{after} s before, away {away} s: {told:?}");
            assert!(told.len() == 1 && (told[0] - 300.0).abs() < 4.0, "{case}");
            let seq = house.seq(LEEKS, is_watered);
            house.crash(10.0);
            let weight = house.of_flat(LEEKS, "weight_g").as_f64().unwrap();
            house.reads(OWN, weight, 600);
            assert_eq!(watered(&house).len(), 1, "{case}");
            house.flat(LEEKS, Command::Correct { seq, was: Was::Nothing, cells: None }).unwrap();
            assert_eq!(house.of_flat(LEEKS, "since_watered_h"), serde_json::Value::Null, "{case}");
        }
    }
}
