//! Every kind of alert for flats and stands: rises in its time, holds, clears with a reason, is silent while it must be.

use chrono::DateTime;
use proptest::prelude::*;
use tarewell::alert::{
    Alert, Board, Change, FlatSigns, FlatWatch, Kind, Of, Severity, StandSigns, StandWatch, Wetness, advice,
    judge_flat, judge_stand,
};
use tarewell::moment::{Moment, Span, Wall, Zone};
use tarewell::units::{Fraction, Grams, GramsPerHour, Words};

fn moment(text: &str) -> Moment {
    Moment::recorded(Wall::from_millis(DateTime::parse_from_rfc3339(text).unwrap().timestamp_millis()))
}

fn london() -> Zone {
    Zone::named("Europe/London").unwrap()
}

/// A flat on its stand, of a band of 1600 g above 2900 g, looked at again and again.
struct Bench {
    signs: FlatSigns<'static>,
    watch: FlatWatch,
    board: Board,
}

impl Bench {
    fn new() -> Self {
        let signs = FlatSigns::unknown(moment("2026-03-04T10:00:00+00:00"), london(), Words::Metric, "Bench lettuce");
        let mut bench = Self { signs, watch: FlatWatch::default(), board: Board::new() };
        bench.signs.band = Some(Grams::new(1600.0));
        bench.signs.target_weight = Some(Grams::new(3700.0));
        bench.signs.weight_error = Grams::new(1.5);
        bench.fill(0.55);
        bench
    }

    /// Sets the fraction, and the condition as its hysteresis has it.
    fn fill(&mut self, fraction: f64) {
        let signs = &mut self.signs;
        let water = Grams::new(1600.0 * fraction);
        signs.fraction = Some(Fraction::new(fraction).rounded());
        signs.water = Some(water);
        signs.weight = Some(water + Grams::new(2900.0));
        signs.to_target = Some((Grams::new(800.0) - water).max(Grams::ZERO).of_water());
        signs.condition = match signs.condition {
            Wetness::Dry if fraction < 0.32 => Wetness::Dry,
            Wetness::Wet if fraction > 0.73 => Wetness::Wet,
            _ if fraction < 0.3 => Wetness::Dry,
            _ if fraction < 0.4 => Wetness::Due,
            _ if fraction <= 0.75 => Wetness::Moist,
            _ => Wetness::Wet,
        };
    }

    fn forget(&mut self) {
        self.signs.condition = Wetness::Unknown;
        self.signs.fraction = None;
    }

    fn look(&mut self) -> Vec<Change> {
        self.signs.local_hour = self.signs.zone.hour(self.signs.at.wall);
        let changes = judge_flat(&self.signs, &mut self.watch, &mut self.board, 7);
        if let Some(wake) = self.watch.next_wake() {
            assert!(wake > self.signs.at.mono, "a wake that comes back at once");
        }
        changes
    }

    fn after(&mut self, span: Span) -> Vec<Change> {
        self.signs.at = self.signs.at.after(span);
        self.look()
    }

    /// Goes from wake to wake until `end`; what changed, and how long after the start.
    fn sleep(&mut self, end: Span) -> Vec<(Span, Change)> {
        let start = self.signs.at;
        let mut all: Vec<_> = self.look().into_iter().map(|change| (Span::ZERO, change)).collect();
        while let Some(wake) = self.watch.next_wake().filter(|wake| *wake <= start.mono + end) {
            self.signs.at = start.after(wake.since(start.mono));
            let span = wake.since(start.mono);
            all.extend(self.look().into_iter().map(|change| (span, change)));
        }
        self.signs.at = start.after(end);
        all.extend(self.look().into_iter().map(|change| (end, change)));
        all
    }

    fn alert(&self, kind: Kind) -> &Alert {
        self.board.get(kind, Of::Flat(7)).unwrap_or_else(|| panic!("{kind:?} is not raised"))
    }
}

#[track_caller]
fn assert_rose(changes: &[Change], kind: Kind) {
    assert!(matches!(changes, [Change::Rose(found, _)] if *found == kind), "{changes:?}");
}

#[track_caller]
fn assert_cleared(changes: &[Change], kind: Kind, reason: &str) {
    assert!(matches!(changes, [Change::Cleared(end)] if end.alert.kind == kind && end.reason == reason), "{changes:?}");
}

#[test]
fn dry_rises_at_once_and_says_what_to_do() {
    let mut bench = Bench::new();
    assert!(bench.look().is_empty());
    bench.fill(0.24);
    assert_rose(&bench.after(Span::seconds(10)), Kind::Dry);
    let alert = bench.alert(Kind::Dry);
    assert_eq!(alert.severity, Severity::Warning);
    assert_eq!(alert.title, "Bench lettuce is dry");
    assert_eq!(alert.text, "Bench lettuce: 24 % of its water is left. Pour 415 mL; stop at 3.70 kg.");
    assert_eq!(alert.value, Some(0.24));
}

#[test]
fn dry_speaks_us_units_where_they_are_read() {
    let mut bench = Bench::new();
    bench.signs.words = Words::Us;
    bench.signs.place = Some("south bench");
    bench.fill(0.25);
    bench.look();
    let text = &bench.alert(Kind::Dry).text;
    assert_eq!(
        text,
        "Bench lettuce (south bench): a quarter of its water is left. Pour 13.5 fl oz; stop at 8 lb 2.5 oz."
    );
}

#[test]
fn dry_worsens_once_below_half_of_low() {
    let mut bench = Bench::new();
    bench.fill(0.20);
    bench.look();
    bench.fill(0.149);
    assert!(matches!(bench.after(Span::minutes(1))[..], [Change::Worsened(Kind::Dry, Of::Flat(7))]));
    assert_eq!(bench.alert(Kind::Dry).title, "Bench lettuce is very dry");
    for fraction in [0.151, 0.149, 0.165, 0.148] {
        bench.fill(fraction);
        assert!(bench.after(Span::seconds(10)).is_empty(), "{fraction}");
    }
    bench.fill(0.17);
    assert!(matches!(bench.after(Span::seconds(10))[..], [Change::Reworded(Kind::Dry, _)]));
    assert_eq!(bench.alert(Kind::Dry).severity, Severity::Warning);
}

#[test]
fn dry_stays_raised_while_unknown_and_clears_when_watered() {
    let mut bench = Bench::new();
    bench.fill(0.25);
    bench.look();
    bench.forget();
    assert!(bench.sleep(Span::hours(70)).is_empty());
    bench.signs.last_watered = Some(bench.signs.at);
    bench.fill(0.48);
    assert_cleared(&bench.after(Span::minutes(5)), Kind::Dry, "watered: 48 % now");
}

#[test]
fn dry_does_not_flap_at_its_limit() {
    let mut bench = Bench::new();
    let mut changes = Vec::new();
    for step in 0..200 {
        bench.fill(0.3 + 0.015 * f64::from(step % 3 - 1));
        changes.extend(bench.after(Span::seconds(10)));
    }
    let rises = changes.iter().filter(|change| !matches!(change, Change::Reworded(..))).count();
    assert_eq!(rises, 1, "{changes:?}");
}

#[test]
fn words_are_renewed_every_five_minutes_at_most() {
    let mut bench = Bench::new();
    bench.fill(0.29);
    bench.look();
    let mut reworded = 0;
    for step in 1..=60 {
        bench.fill(0.29 - 0.001 * f64::from(step));
        reworded += bench.after(Span::minutes(1)).len();
    }
    assert_eq!(reworded, 12);
}

#[test]
fn too_wet_rises_after_three_days_or_half_of_it_when_very_wet() {
    let mut bench = Bench::new();
    bench.fill(0.80);
    let changes = bench.sleep(Span::days(5));
    assert!(
        matches!(changes[..], [(after, Change::Rose(Kind::TooWet, _))] if after == Span::hours(72) + Span::from_millis(1))
    );
    bench.fill(0.74);
    assert!(matches!(bench.after(Span::hours(1))[..], [Change::Reworded(Kind::TooWet, _)]));
    bench.fill(0.73);
    assert_cleared(&bench.after(Span::hours(1)), Kind::TooWet, "down to 73 %");

    bench.fill(0.97);
    let changes = bench.sleep(Span::days(5));
    assert!(
        matches!(changes[..], [(after, Change::Rose(Kind::TooWet, _))] if after == Span::hours(36) + Span::from_millis(1))
    );
}

#[test]
fn too_wet_keeps_counting_over_an_unknown_hour_but_not_over_a_dry_one() {
    let mut bench = Bench::new();
    bench.fill(0.80);
    bench.look();
    bench.forget();
    assert!(bench.after(Span::hours(40)).is_empty());
    bench.signs.condition = Wetness::Wet;
    bench.fill(0.80);
    assert_rose(&bench.after(Span::hours(33)), Kind::TooWet);

    let mut bench = Bench::new();
    bench.fill(0.80);
    bench.look();
    bench.fill(0.70);
    bench.after(Span::hours(40));
    bench.fill(0.80);
    assert!(bench.after(Span::hours(33)).is_empty());
}

#[test]
fn too_wet_is_silent_while_soaking_and_where_wet_is_meant() {
    let meant: [fn(&mut FlatSigns<'_>); 2] = [|signs| signs.soaking = true, |signs| signs.wet_is_meant = true];
    for mean in meant {
        let mut bench = Bench::new();
        mean(&mut bench.signs);
        bench.fill(0.99);
        assert!(bench.sleep(Span::days(6)).is_empty());
        bench.signs.soaking = false;
        bench.signs.wet_is_meant = false;
        let changes = bench.sleep(Span::days(1));
        assert!(changes.is_empty(), "time that was meant does not count: {changes:?}");
    }
}

#[test]
fn not_drying_rises_without_a_measurable_loss() {
    let mut bench = Bench::new();
    bench.signs.lost_24h = Some(Grams::new(60.0));
    assert!(bench.look().is_empty());
    bench.signs.lost_24h = Some(Grams::new(4.0));
    assert_rose(&bench.after(Span::hours(1)), Kind::NotDrying);
    assert!(bench.alert(Kind::NotDrying).text.contains("it lost 4 g in 24 h"));
    bench.signs.lost_24h = Some(Grams::new(7.0));
    assert!(bench.after(Span::hours(1)).is_empty());
    bench.signs.lost_24h = None;
    assert!(bench.after(Span::hours(1)).is_empty());
    bench.signs.lost_24h = Some(Grams::new(12.0));
    assert_cleared(&bench.after(Span::hours(1)), Kind::NotDrying, "it dries again: 12 g in 24 h");
}

#[test]
fn not_drying_is_silent_under_a_dome_out_of_the_band_and_where_wet_is_meant() {
    let mut bench = Bench::new();
    bench.signs.lost_24h = Some(Grams::new(1.0));
    bench.signs.dome_on = Some(true);
    assert!(bench.look().is_empty());
    bench.signs.dome_on = None;
    bench.signs.wet_is_meant = true;
    assert!(bench.look().is_empty());
    bench.signs.wet_is_meant = false;
    bench.fill(1.02);
    assert!(bench.look().is_empty());
    bench.fill(0.6);
    assert_rose(&bench.look(), Kind::NotDrying);
    bench.signs.dome_on = Some(true);
    assert_cleared(&bench.look(), Kind::NotDrying, "its dome is on");
}

#[test]
fn dry_overnight_waits_for_four_in_the_afternoon() {
    let mut bench = Bench::new();
    bench.fill(0.38);
    bench.signs.low_early = Some(moment("2026-03-05T04:30:00+00:00"));
    bench.signs.low_at = Some(moment("2026-03-05T08:10:00+00:00"));
    let changes = bench.sleep(Span::hours(8));
    assert!(matches!(changes[..], [(after, Change::Rose(Kind::DryOvernight, _))] if after == Span::hours(6)));
    let text = &bench.alert(Kind::DryOvernight).text;
    assert_eq!(
        text,
        "Bench lettuce: dry as early as Thu 04:30, more likely Thu 08:00. 38 % of its water is left. Water it this \
         evening. Pour 190 mL; stop at 3.70 kg."
    );
}

#[test]
fn dry_overnight_clears_when_watered_dry_or_over() {
    let evening = || {
        let mut bench = Bench::new();
        bench.fill(0.38);
        bench.signs.at = moment("2026-03-04T18:00:00+00:00");
        bench.signs.low_early = Some(moment("2026-03-05T04:30:00+00:00"));
        assert_rose(&bench.look(), Kind::DryOvernight);
        bench
    };
    let mut bench = evening();
    for (early, changes) in [("09:30", 0), ("08:50", 0), ("09:59", 0), ("10:00", 1)] {
        bench.signs.low_early = Some(moment(&format!("2026-03-05T{early}:00+00:00")));
        assert_eq!(bench.after(Span::minutes(1)).len(), changes, "{early}");
    }

    let mut bench = evening();
    bench.fill(0.29);
    let changes = bench.after(Span::hours(3));
    assert!(
        matches!(&changes[..], [Change::Rose(Kind::Dry, _), Change::Cleared(end)] if end.reason == "it is dry now")
    );

    let mut bench = evening();
    let changes = bench.sleep(Span::hours(20));
    assert!(
        matches!(&changes[..], [.., (after, Change::Cleared(end))] if *after == Span::hours(15) && end.reason == "the night is over"),
        "{changes:?}"
    );
}

#[test]
fn dry_overnight_keeps_quiet_about_tomorrow() {
    let mut bench = Bench::new();
    bench.signs.at = moment("2026-03-04T18:00:00+00:00");
    for early in ["2026-03-05T09:00:00+00:00", "2026-03-05T14:00:00+00:00", "2026-03-09T05:00:00+00:00"] {
        bench.signs.low_early = Some(moment(early));
        assert!(bench.after(Span::minutes(10)).is_empty(), "{early}");
    }
}

#[test]
fn absent_rises_in_its_time_and_clears_when_back() {
    let mut bench = Bench::new();
    bench.signs.off_stand_since = Some(bench.signs.at);
    let changes = bench.sleep(Span::hours(3));
    assert!(matches!(changes[..], [(after, Change::Rose(Kind::FlatAbsent, _)), ..] if after == Span::minutes(90)));
    bench.signs.off_stand_since = None;
    assert_cleared(&bench.after(Span::seconds(10)), Kind::FlatAbsent, "back on its stand");
}

#[test]
fn absence_and_change_are_silent_while_soaking() {
    let mut bench = Bench::new();
    bench.signs.soaking = true;
    bench.signs.off_stand_since = Some(bench.signs.at);
    bench.signs.misfit = Some("it weighs 900 g more than it can".to_owned());
    bench.signs.loss_30min = Some(GramsPerHour::new(2000.0));
    assert!(bench.sleep(Span::hours(5)).is_empty());
    bench.signs.soaking = false;
    let changes = bench.look();
    assert!(
        matches!(changes[..], [Change::Rose(Kind::FlatAbsent, _), Change::Rose(Kind::FlatChanged, _)]),
        "{changes:?}"
    );
    bench.signs.soaking = true;
    assert_eq!(bench.look().len(), 2);
}

#[test]
fn changed_says_why_and_clears_when_it_fits() {
    let mut bench = Bench::new();
    bench.signs.misfit = Some("it weighs 4.10 kg, 900 g more than before.".to_owned());
    assert_rose(&bench.look(), Kind::FlatChanged);
    let alert = bench.alert(Kind::FlatChanged);
    assert_eq!(alert.severity, Severity::Warning);
    assert!(
        alert.text.starts_with("Bench lettuce: it weighs 4.10 kg, 900 g more than before. Say what"),
        "{}",
        alert.text
    );
    bench.signs.misfit = None;
    assert_cleared(&bench.look(), Kind::FlatChanged, "what stands there is this flat");
}

#[test]
fn what_has_no_stand_is_not_to_be_put_back_on_it() {
    let mut bench = Bench::new();
    bench.signs.has_stand = false;
    bench.signs.carried_for = Some(Span::hours(60));
    assert_rose(&bench.look(), Kind::WeighDue);
    assert_eq!(bench.alert(Kind::WeighDue).text, "Bench lettuce: not weighed for 60 h. Weigh it.");
    bench.signs.condition = Wetness::Unknown;
    assert_eq!(tarewell::alert::advice(&bench.signs), "Not weighed for 60 h: weigh it.");
}

#[test]
fn weigh_due_rises_after_sixty_hours_or_when_unsure() {
    let mut bench = Bench::new();
    bench.signs.carried_for = Some(Span::hours(59));
    bench.signs.fraction_error = 0.15;
    assert!(bench.look().is_empty());
    assert_eq!(bench.watch.next_wake(), Some(bench.signs.at.mono + Span::hours(1)));
    bench.signs.carried_for = Some(Span::hours(60));
    bench.forget();
    assert_rose(&bench.after(Span::hours(1)), Kind::WeighDue);
    let text = &bench.alert(Kind::WeighDue).text;
    assert_eq!(text, "Bench lettuce: not weighed for 60 h. Weigh it, or put it back on its stand.");
    bench.signs.carried_for = None;
    bench.fill(0.61);
    assert_cleared(&bench.look(), Kind::WeighDue, "weighed: 61 %");

    bench.signs.carried_for = Some(Span::hours(20));
    bench.signs.fraction_error = 0.151;
    assert_rose(&bench.look(), Kind::WeighDue);
    bench.signs.carried_for = None;
    bench.look();
    bench.signs.carried_for = Some(Span::hours(90));
    bench.signs.band = None;
    assert!(bench.look().is_empty(), "without a band there is nothing to weigh it against");
}

#[test]
fn a_flat_that_was_never_weighed_itself_is_told_so_once() {
    // Found by a new user: "not weighed for 0 s", later "for 6 d", counted from the start of the program.
    let mut bench = Bench::new();
    (bench.signs.never_weighed, bench.signs.has_stand, bench.signs.fraction) = (true, false, None);
    bench.signs.carried_for = Some(Span::minutes(1));
    assert!(bench.look().is_empty(), "who speaks for it may be heard in a moment");
    assert_eq!(bench.watch.next_wake(), Some(bench.signs.at.mono + Span::minutes(59) + Span::from_millis(1)));
    bench.signs.carried_for = Some(Span::hours(2));
    assert_rose(&bench.after(Span::hours(2)), Kind::WeighDue);
    assert_eq!(bench.alert(Kind::WeighDue).text, "Bench lettuce: it has never been weighed itself. Weigh it.");
    for minutes in 1..40 {
        bench.signs.carried_for = Some(Span::hours(2) + Span::minutes(10 * minutes));
        assert!(bench.after(Span::minutes(10)).is_empty(), "it says nothing else");
    }
}

#[test]
fn weigh_due_ends_with_a_weighing_also_of_a_flat_that_is_on_no_stand() {
    let mut bench = Bench::new();
    // What has no stand is carried on from the moment it was weighed; a flat that another speaks for, from the first word.
    (bench.signs.carried_for, bench.signs.fraction) = (Some(Span::ZERO), None);
    assert!(bench.look().is_empty(), "not weighed for no time at all");
    bench.signs.carried_for = Some(Span::hours(60));
    bench.fill(0.52);
    assert_rose(&bench.look(), Kind::WeighDue);
    bench.signs.carried_for = Some(Span::ZERO);
    bench.fill(0.48);
    assert_cleared(&bench.look(), Kind::WeighDue, "what is left of its water is known: 48 %");

    bench.signs.carried_for = Some(Span::hours(20));
    bench.signs.fraction_error = 0.151;
    assert_rose(&bench.look(), Kind::WeighDue);
    bench.signs.fraction_error = 0.149;
    assert!(bench.look().is_empty(), "it would flicker");
    bench.signs.fraction_error = 0.13;
    assert_cleared(&bench.look(), Kind::WeighDue, "what is left of its water is known: 48 %");
}

#[test]
fn a_doubtful_band_clears_after_ten_minutes_or_with_another_band() {
    let mut bench = Bench::new();
    bench.signs.band_doubt = Some("it weighs 300 g less than its dry weight".to_owned());
    assert_rose(&bench.look(), Kind::BandDoubtful);
    bench.signs.band_doubt = None;
    assert!(bench.after(Span::minutes(1)).is_empty());
    bench.signs.band_doubt = Some("it weighs 300 g less than its dry weight".to_owned());
    assert!(bench.after(Span::minutes(1)).is_empty());
    bench.signs.band_doubt = None;
    let changes = bench.sleep(Span::minutes(30));
    assert!(matches!(&changes[..], [(after, Change::Cleared(_))] if *after == Span::minutes(10)), "{changes:?}");

    bench.signs.band_doubt = Some("x".to_owned());
    bench.look();
    bench.signs.band_doubt = None;
    bench.signs.band = Some(Grams::new(1500.0));
    assert_cleared(&bench.look(), Kind::BandDoubtful, "it has another band");
}

#[test]
fn outgrown_takes_half_a_day_or_heavy_plants() {
    let mut bench = Bench::new();
    bench.signs.full_soak_lasts = Some(Span::hours(30));
    bench.signs.wet_is_meant = true;
    assert!(bench.sleep(Span::hours(20)).is_empty(), "seeds kept wet have a narrow band");
    bench.signs.wet_is_meant = false;
    let changes = bench.sleep(Span::hours(20));
    assert!(
        matches!(changes[..], [(after, Change::Rose(Kind::Outgrown, _))] if after >= Span::hours(12)),
        "{changes:?}"
    );
    for hours in [37, 35, 39] {
        bench.signs.full_soak_lasts = Some(Span::hours(hours));
        assert!(bench.after(Span::minutes(1)).is_empty());
    }
    bench.signs.full_soak_lasts = Some(Span::hours(41));
    assert_cleared(&bench.after(Span::minutes(1)), Kind::Outgrown, "a full soak lasts 41 h now");

    bench.signs.plant_mass = Grams::new(0.41 * 1600.0);
    assert_rose(&bench.look(), Kind::Outgrown);
    bench.signs.plant_mass = Grams::new(0.36 * 1600.0);
    assert!(bench.look().is_empty());
    bench.signs.plant_mass = Grams::new(0.34 * 1600.0);
    assert_cleared(&bench.look(), Kind::Outgrown, "its plants are known to weigh 544 g now");
}

#[test]
fn plants_that_nobody_knows_the_weight_of_ask_for_a_soak() {
    let mut bench = Bench::new();
    bench.signs.full_soak_lasts = None;
    bench.signs.plant_error = Grams::new(0.09 * 1600.0);
    assert!(bench.look().is_empty());
    bench.signs.plant_error = Grams::new(0.11 * 1600.0);
    assert_rose(&bench.look(), Kind::Outgrown);
    assert!(bench.alert(Kind::Outgrown).text.contains("Soak it through"), "{}", bench.alert(Kind::Outgrown).text);
    bench.signs.plant_error = Grams::new(0.08 * 1600.0);
    assert!(bench.look().is_empty());
    bench.signs.plant_error = Grams::new(10.0);
    assert_cleared(&bench.look(), Kind::Outgrown, "its plants are known to weigh 0 g now");
}

#[test]
fn a_leak_is_no_drainage() {
    let mut bench = Bench::new();
    bench.signs.loss_30min = Some(GramsPerHour::new(181.0));
    bench.signs.last_watered = Some(bench.signs.at);
    assert!(bench.after(Span::minutes(89)).is_empty());
    assert_rose(&bench.after(Span::minutes(1)), Kind::Leak);
    assert!(bench.alert(Kind::Leak).text.contains("it loses 181 g an hour, more than drying can (180 g an hour)"));
    bench.signs.loss_30min = Some(GramsPerHour::new(150.0));
    assert!(bench.after(Span::minutes(30)).is_empty());
    bench.signs.loss_30min = Some(GramsPerHour::new(20.0));
    let changes = bench.sleep(Span::hours(1));
    assert!(
        matches!(&changes[..], [(after, Change::Cleared(end))] if *after == Span::minutes(10) && end.reason == "it loses 20 g an hour now")
    );
}

#[test]
fn a_retired_flat_has_no_alerts() {
    let mut bench = Bench::new();
    bench.fill(0.2);
    bench.look();
    bench.signs.retired = true;
    assert_cleared(&bench.look(), Kind::Dry, "it is retired");
    assert!(bench.look().is_empty());
}

#[test]
fn a_watch_goes_on_after_a_restart() {
    let mut bench = Bench::new();
    bench.fill(0.8);
    bench.look();
    let kept = serde_json::to_string(&bench.watch).unwrap();
    bench.watch = serde_json::from_str(&kept).unwrap();
    let wall = bench.signs.at.wall + Span::hours(71);
    bench.signs.at = Moment { mono: bench.signs.at.mono + Span::hours(71), wall };
    assert!(bench.look().is_empty());
    assert_rose(&bench.after(Span::hours(2)), Kind::TooWet);
}

#[test]
fn an_alert_is_kept_whole_and_told_once() {
    let mut bench = Bench::new();
    bench.fill(0.2);
    bench.look();
    let (of, at) = (Of::Flat(7), bench.signs.at.wall);
    assert!(bench.alert(Kind::Dry).is_news_to("phone", at, None));
    bench.board.was_told(Kind::Dry, of, "phone", at);
    let kept = serde_json::to_string(bench.alert(Kind::Dry)).unwrap();
    let mut board = Board::new();
    board.restore(serde_json::from_str(&kept).unwrap());
    assert_eq!(board.get(Kind::Dry, of), bench.board.get(Kind::Dry, of));

    let alert = board.get(Kind::Dry, of).unwrap();
    assert!(!alert.is_news_to("phone", at + Span::days(9), None));
    assert!(alert.is_news_to("phone", at + Span::hours(6), Some(Span::hours(6))));
    assert!(alert.is_news_to("other", at, None));

    bench.fill(0.1);
    bench.look();
    assert!(bench.alert(Kind::Dry).is_news_to("phone", at, None), "worse is told once more");
    assert_eq!(bench.board.shelve(of, at + Span::hours(12)), [Kind::Dry]);
    assert!(!bench.alert(Kind::Dry).is_news_to("phone", at + Span::hours(11), None));
    assert!(bench.alert(Kind::Dry).is_news_to("phone", at + Span::hours(12), None));
}

fn stand(at: Moment) -> StandSigns<'static> {
    StandSigns {
        at,
        stand: "south-1",
        flat: Some("Bench lettuce"),
        silent_since: None,
        stale_after: Span::minutes(10),
        fault: None,
        uneven: None,
        moved_zero: None,
        words: Words::default(),
        on_auto_valve: false,
    }
}

#[test]
fn a_silent_stand_is_told_and_says_how_long_it_was() {
    let start = moment("2026-03-04T10:00:00+00:00");
    let (mut watch, mut board) = (StandWatch::default(), Board::new());
    let mut signs = StandSigns { silent_since: Some(start), ..stand(start.after(Span::minutes(4))) };
    assert!(judge_stand(&signs, &mut watch, &mut board, 0).is_empty());
    assert_eq!(watch.next_wake(), Some(start.mono + Span::minutes(10)));
    signs.at = start.after(Span::minutes(10));
    assert_rose(&judge_stand(&signs, &mut watch, &mut board, 0), Kind::StandSilent);
    let alert = board.get(Kind::StandSilent, Of::Stand(0)).unwrap();
    assert_eq!(alert.severity, Severity::Warning);
    assert!(
        alert.text.starts_with("Nothing heard from south-1 for 10 min. Bench lettuce stands on it."),
        "{}",
        alert.text
    );
    signs.at = start.after(Span::minutes(14));
    signs.silent_since = Some(signs.at);
    let changes = judge_stand(&signs, &mut watch, &mut board, 0);
    assert_cleared(&changes, Kind::StandSilent, "readings came back after 14 min");
}

#[test]
fn a_silent_stand_on_an_auto_valve_is_critical() {
    let start = moment("2026-03-04T10:00:00+00:00");
    let mut board = Board::new();
    let signs = StandSigns { silent_since: Some(start), on_auto_valve: true, ..stand(start.after(Span::hours(1))) };
    judge_stand(&signs, &mut StandWatch::default(), &mut board, 0);
    assert_eq!(board.get(Kind::StandSilent, Of::Stand(0)).unwrap().severity, Severity::Critical);
}

#[test]
fn a_stand_that_comes_and_goes_is_told_twice_and_no_more() {
    // A reading every 11 minutes where 10 are allowed.
    let start = moment("2026-03-04T10:00:00+00:00");
    let (mut watch, mut board) = (StandWatch::default(), Board::new());
    let mut rises = 0;
    for minute in 0..600 {
        let at = start.after(Span::minutes(minute));
        let signs = StandSigns { silent_since: Some(start.after(Span::minutes(minute / 11 * 11))), ..stand(at) };
        let changes = judge_stand(&signs, &mut watch, &mut board, 0);
        rises += changes.iter().filter(|change| matches!(change, Change::Rose(..))).count();
    }
    assert_eq!(rises, 2);
}

#[test]
fn a_fault_rises_at_once_and_a_relapse_holds() {
    let start = moment("2026-03-04T10:00:00+00:00");
    let (mut watch, mut board) = (StandWatch::default(), Board::new());
    let mut look = |minute: i64, fault: bool| {
        let fault = fault.then(|| "it reads 12.4 kg, more than its 10 kg".to_owned());
        let signs = StandSigns { fault, ..stand(start.after(Span::minutes(minute))) };
        judge_stand(&signs, &mut watch, &mut board, 0)
    };
    assert_rose(&look(0, true), Kind::StandFault);
    assert_cleared(&look(1, false), Kind::StandFault, "its readings can be believed again");
    assert_rose(&look(2, true), Kind::StandFault);
    assert!(look(3, false).is_empty());
    assert!(look(4, true).is_empty());
    assert!(look(5, false).is_empty());
    assert_cleared(&look(15, false), Kind::StandFault, "its readings can be believed again");
}

#[test]
fn uneven_takes_a_minute_and_leaves_in_five() {
    let start = moment("2026-03-04T10:00:00+00:00");
    let (mut watch, mut board) = (StandWatch::default(), Board::new());
    let mut look = |second: i64, uneven: bool| {
        let uneven = uneven.then(|| "it rocks on one diagonal".to_owned());
        let signs = StandSigns { uneven, ..stand(start.after(Span::seconds(second))) };
        judge_stand(&signs, &mut watch, &mut board, 0)
    };
    assert!(look(0, true).is_empty());
    assert!(look(50, false).is_empty());
    assert!(look(60, true).is_empty());
    assert_rose(&look(120, true), Kind::Uneven);
    assert!(look(130, false).is_empty());
    assert!(look(400, false).is_empty());
    assert_cleared(&look(430, false), Kind::Uneven, "it stands level again");
}

#[test]
fn advice_fits_every_condition() {
    let mut bench = Bench::new();
    bench.fill(0.25);
    assert_eq!(advice(&bench.signs), "Dry: a quarter of its water is left. Pour 400 mL; stop at 3.70 kg.");
    bench.signs.words = Words::Us;
    assert_eq!(advice(&bench.signs), "Dry: a quarter of its water is left. Pour 13.5 fl oz; stop at 8 lb 2.5 oz.");
    bench.signs.words = Words::Metric;

    bench.fill(0.36);
    bench.signs.low_early = Some(moment("2026-03-05T15:00:00+00:00"));
    assert_eq!(advice(&bench.signs), "Due: 36 % of its water is left. Pour 225 mL; stop at 3.70 kg. Before Thu 15:00.");
    bench.fill(0.62);
    bench.signs.due_at = Some(moment("2026-03-06T09:00:00+00:00"));
    assert_eq!(advice(&bench.signs), "Moist: 62 % of its water is left. Wait. Due about Fri 09:00, at 40 %.");
    bench.fill(0.88);
    bench.signs.due_at = None;
    assert_eq!(advice(&bench.signs), "Wet: 88 % of its water is left. Do not water.");

    bench.fill(0.28);
    bench.signs.off_stand_since = Some(moment("2026-03-04T09:30:00+00:00"));
    bench.signs.fraction_error = 0.04;
    assert!(advice(&bench.signs).ends_with(" Off its stand since Wed 09:30; so far as its drying tells (±4 %)."));
    bench.forget();
    bench.signs.carried_for = Some(Span::hours(61));
    assert!(advice(&bench.signs).starts_with("Not weighed for "));
    bench.signs.band = None;
    assert!(advice(&bench.signs).starts_with("No band yet: weigh it dry"));
    bench.signs.soaking = true;
    assert!(advice(&bench.signs).starts_with("Being soaked"));
}

#[test]
fn water_above_capacity_stands_in_the_tray_once_it_has_had_time_to_soak_in() {
    let mut bench = Bench::new();
    bench.fill(1.08);
    bench.signs.fraction_error = 0.004;
    let says = |signs: &FlatSigns<'_>| advice(signs).contains("About 130 mL of water stand in its tray: pour it off.");
    assert!(says(&bench.signs), "{}", advice(&bench.signs));
    bench.signs.last_watered = Some(bench.signs.at.after(Span::ZERO - Span::minutes(59)));
    assert!(!says(&bench.signs));
    bench.signs.last_watered = Some(bench.signs.at.after(Span::ZERO - Span::minutes(60)));
    assert!(says(&bench.signs));
    // As like as not capacity, or the plants, are not known so well.
    bench.signs.fraction_error = 0.05;
    assert!(!says(&bench.signs));
    bench.signs.fraction_error = 0.004;
    bench.signs.carried_for = Some(Span::hours(1));
    assert!(!says(&bench.signs));
    bench.signs.carried_for = None;
    bench.fill(1.02);
    assert!(!advice(&bench.signs).contains("tray"));
}

fn any_signs() -> impl Strategy<Value = FlatSigns<'static>> {
    let share = || proptest::option::of(-2.0..3.0f64);
    let hours = || proptest::option::of(-200i64..200);
    let flags = || proptest::array::uniform4(any::<bool>());
    let mass = || proptest::option::of(-4000.0..9000.0f64);
    (0..5usize, (share(), 0.0..9.0f64), proptest::array::uniform6(hours()), flags(), proptest::array::uniform5(mass()))
        .prop_map(|(condition, (fraction, error), hours, flags, mass)| {
            let at = moment("2026-03-28T20:00:00+00:00").after(Span::minutes(hours[0].unwrap_or(0) * 17));
            let then = |hours: Option<i64>| hours.map(|hours| at.after(Span::hours(hours)));
            FlatSigns {
                fraction: fraction.map(Fraction::new),
                condition: [Wetness::Dry, Wetness::Due, Wetness::Moist, Wetness::Wet, Wetness::Unknown][condition],
                fraction_error: if error > 8.0 { f64::NAN } else { error },
                off_stand_since: then(hours[1]),
                carried_for: hours[2].map(Span::hours),
                last_watered: then(hours[3]),
                low_early: then(hours[4]),
                full_soak_lasts: hours[5].map(Span::hours),
                soaking: flags[0],
                wet_is_meant: flags[1],
                dome_on: flags[2].then_some(flags[3]),
                misfit: (flags[2] && flags[3]).then(|| "it is heavier than it can be".to_owned()),
                lost_24h: mass[0].map(Grams::new),
                loss_30min: mass[1].map(GramsPerHour::new),
                band: mass[2].map(Grams::new),
                weight: mass[3].map(Grams::new),
                plant_mass: mass[4].map_or(Grams::ZERO, Grams::new),
                ..FlatSigns::unknown(at, london(), Words::Us, "Bench lettuce")
            }
        })
}

proptest! {
    #[test]
    fn whatever_the_signs_the_board_stays_sound(all in proptest::collection::vec(any_signs(), 1..30)) {
        let (mut watch, mut board) = (FlatWatch::default(), Board::new());
        let mut raised = std::collections::BTreeSet::new();
        for signs in &all {
            for change in judge_flat(signs, &mut watch, &mut board, 3) {
                match change {
                    Change::Rose(kind, _) => prop_assert!(raised.insert(kind)),
                    Change::Cleared(end) => {
                        prop_assert!(raised.remove(&end.alert.kind));
                        prop_assert!(!end.reason.is_empty());
                    }
                    Change::Worsened(kind, _) | Change::Reworded(kind, _) => prop_assert!(raised.contains(&kind)),
                }
            }
            prop_assert!(board.iter().map(|alert| alert.kind).eq(raised.iter().copied()));
            for alert in board.iter() {
                prop_assert!(!alert.text.contains("NaN") && !alert.text.contains("inf"), "{}", alert.text);
                prop_assert!(alert.value.is_none_or(f64::is_finite));
            }
            if signs.soaking {
                let silent = [Kind::FlatAbsent, Kind::FlatChanged, Kind::TooWet, Kind::Leak];
                prop_assert!(silent.iter().all(|kind| !board.is_raised(*kind, Of::Flat(3))));
            }
            prop_assert!(watch.next_wake().is_none_or(|wake| wake > signs.at.mono));
            prop_assert!(!advice(signs).contains("NaN"));
        }
    }
}
