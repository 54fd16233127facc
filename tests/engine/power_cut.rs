//! Several stands that set themselves to zero under their flats at once, as after a power cut.

use crate::bases::{LEEKS, OWN, moment, plan};
use std::sync::Arc;
use tarewell::alert::Kind;
use tarewell::flat::FlatSettings;
use tarewell::site::{Command, Input, Order, Output, Part, Plan, Saved, Site, Subject};
use tarewell::stand::StandSettings;

/// Four stands of their own, each with a flat.
fn four() -> Plan {
    let base = plan();
    let (_, settings) = &base.flats[LEEKS];
    let flat = |at: usize| (format!("flat-{at}"), FlatSettings { stand: Some(at), ..settings.clone() });
    Plan {
        stands: (0..4).map(|at| (format!("s{at}"), StandSettings::default())).collect(),
        flats: (0..4).map(flat).collect(),
        ..base
    }
}

struct Room {
    site: Site,
    seconds: f64,
    /// Stands whose fault was told, and when.
    told: Vec<(usize, f64)>,
}

impl Room {
    fn take(&mut self, input: Input) {
        self.site.handle(input, moment(self.seconds));
        while let Some(output) = self.site.poll() {
            if let Output::AlertRaised(Kind::StandFault, Subject::Stand(stand)) = output {
                self.told.push((stand, self.seconds));
            }
        }
    }

    /// Readings of all stands every ten seconds, by the seconds since it began.
    fn live(&mut self, seconds: u32, weight: impl Fn(usize, f64) -> Option<f64>) {
        for step in 0..seconds / 10 {
            let since = f64::from(step) * 10.0;
            for stand in OWN..4 {
                if let Some(grams) = weight(stand, since) {
                    let value = Ok(grams + f64::from(step % 3) * 0.02);
                    self.take(Input::Reading { stand, part: Part::Whole, value, retained: false });
                }
            }
            self.seconds += 10.0;
            self.take(Input::Tick);
        }
    }
}

/// What dries in an hour: each at a pace of its own.
fn pace(stand: usize) -> f64 {
    [40.0, 25.0, 10.0, 5.0][stand]
}

fn lived_through(lifted: impl Fn(usize) -> bool) -> Room {
    let mut room =
        Room { site: Site::new(Arc::new(four()), &Saved::default(), moment(0.0)), seconds: 0.0, told: Vec::new() };
    room.live(6 * 3600, |stand, since| Some(2800.0 - pace(stand) * since / 3600.0));
    if lifted(3) {
        // Before the cut, and not back since.
        room.live(1200, |stand, since| {
            Some(if lifted(stand) { 0.0 } else { 2800.0 - pace(stand) * (6.0 + since / 3600.0) })
        });
    }
    room.live(180, |_, _| None);
    room.live(3 * 3600, |stand, since| Some(if lifted(stand) { 0.0 } else { -pace(stand) * since / 3600.0 }));
    room
}

#[test]
fn stands_that_tared_themselves_in_one_power_cut_are_told_at_once() {
    let room = lived_through(|_| false);
    let mut stands: Vec<usize> = room.told.iter().map(|(stand, _)| *stand).collect();
    stands.sort_unstable();
    stands.dedup();
    assert_eq!(stands, [0, 1, 2, 3], "{:?}", room.told);
    let (first, last) = (room.told[0].1, room.told.last().unwrap().1);
    assert!(last - first <= 3.0, "one message gathers what comes within three seconds: {:?}", room.told);
}

#[test]
fn a_stand_whose_flat_was_lifted_before_the_cut_is_empty() {
    let room = lived_through(|stand| stand == 3);
    assert!(room.told.iter().all(|(stand, _)| *stand != 3), "{:?}", room.told);
    assert!(room.told.len() >= 3);
}

#[test]
fn once_it_is_zeroed_or_restored_it_is_well_again() {
    let mut room = lived_through(|_| false);
    for stand in 0..4 {
        let command = Ok(Command::Restore { flat: stand });
        let order = Order {
            to: Subject::Stand(stand),
            word: "restore".into(),
            command,
            id: None,
            time: None,
            retained: false,
            ticket: None,
        };
        room.take(Input::Order(order));
    }
    room.live(900, |stand, since| Some(-pace(stand) * (3.0 + since / 3600.0)));
    let still =
        (0..4).filter(|&stand| room.site.alert_state(Kind::StandFault, Subject::Stand(stand)).is_some()).count();
    assert_eq!(still, 0);
}
