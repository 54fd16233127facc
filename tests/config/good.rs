//! What is written in a good file is what comes out.

use crate::{everything, good};
use tarewell::alert::Severity;
use tarewell::config::{Broker, Checked, Web};
use tarewell::flat::{Begins, SomeLimits, StageSettings};
use tarewell::moment::{Span, Wall};
use tarewell::site::Part;
use tarewell::units::{Fraction, Grams, WeightUnit, Words};
use tarewell::watering::{Method, Mode};
use tarewell::wire::{Binding, Pointer, Role};

/// 2026-03-04T08:15:00Z
const TODAY: Wall = Wall::from_millis(1_772_612_100_000);

#[test]
fn the_example_is_good() {
    let checked = good(include_str!("../../config/tarewell.yaml"));
    assert!(checked.notes.is_empty(), "{:?}", checked.notes);
    assert!(checked.zone_given);
}

#[test]
fn stands_come_out_as_written() {
    let Checked { plan, wiring, .. } = everything();
    let [rail, deck, turn] = &plan.stands[..] else { panic!("{:?}", plan.stands) };
    // Exact: NIST SP 811, appendix B.8: a pound is 453.59237 g, an ounce a sixteenth of it.
    assert_eq!(rail.1.max_load.map(Grams::get), Some(20.0 * 453.592_37));
    assert!((rail.1.division.get() - 2.834_952_312_5).abs() < 1e-12);
    assert_eq!(rail.1.stale_after, Some(Span::seconds(1)));
    let temperature = rail.1.temperature.expect("a temperature");
    assert_eq!((temperature.grams_per_degree, temperature.reference.get()), (-0.5, 20.0));
    assert!(rail.1.tells_availability && turn.1.shared && !rail.1.shared);
    let corners = deck.1.corners.as_ref().expect("corners");
    assert_eq!((corners[0].zero, corners[0].counts_per_gram, corners[3].zero), (Some(10.0), Some(-2.0), None));
    let pointer = |tokens: &[&str]| Some(Pointer(tokens.iter().map(|&token| token.to_owned()).collect()));
    let weight = Role::Weight { stand: 0, part: Part::Whole };
    assert_eq!(wiring.bindings[0], Binding { topic: "roof/rail".into(), value: pointer(&["a/b", "0"]), role: weight });
    let (online, offline) = ("online".to_owned(), "offline".to_owned());
    assert!(
        wiring
            .bindings
            .iter()
            .any(|b| b.role == Role::Availability { stand: 0, online: online.clone(), offline: offline.clone() })
    );
    let corner = |at| Role::Weight { stand: 1, part: Part::Corner(at) };
    assert!((0..4).all(|at| wiring.bindings.iter().any(|binding| binding.role == corner(at))));
    assert_eq!(wiring.bindings.len(), 1 + 2 + 4 + 1);
}

#[test]
fn flats_come_out_as_written() {
    let Checked { plan, zone_given, .. } = everything();
    assert_eq!((plan.zone.name(), zone_given, plan.words), ("Asia/Tokyo", true, Words::Us));
    assert_eq!((plan.name.as_str(), plan.base_topic.as_str()), ("Roof", "roof/tarewell"));
    let flat = |id: &str| plan.flats.iter().find(|(other, _)| other == id).map(|(_, flat)| flat).expect("a flat");
    let (red, green, blue) = (flat("red"), flat("green"), flat("blue"));
    // The fill's weights stay the fill's.
    assert_eq!((red.fill, red.stand, red.dry_weight, red.capacity_weight), (Some(0), Some(0), None, None));
    assert_eq!(plan.fills[0].dry_weight.map(Grams::get), Some(4.5 * 453.592_37));
    // Own key, then the mix, then `defaults:`.
    assert_eq!(percent(red.limits), [20, 35, 50, 80]);
    assert_eq!(percent(green.limits), [25, 40, 50, 75]);
    assert_eq!(red.own_limits, SomeLimits { high: Some(Fraction::new(0.8)), ..SomeLimits::default() });
    assert_eq!((red.wet_for, green.wet_for, red.absent_for), (Span::days(2), Span::hours(1), Span::minutes(45)));
    assert_eq!(red.fastest_drying.get(), 250.0);
    assert_eq!((green.dry_weight, green.capacity_weight), (Some(Grams::new(2500.0)), Some(Grams::new(4000.0))));
    assert_eq!((blue.like, blue.check_every), (Some(0), Some(Span::days(2))));
    assert_eq!(green.formerly.as_deref(), Some("lime"));
    // Words stay words.
    assert_eq!((flat("grey").label.as_str(), flat("pink").label.as_str()), ("off", "07:00"));
    assert_eq!(red.sown.map(|date| date.to_string()).as_deref(), Some("2026-02-28"));
}

fn percent(limits: tarewell::flat::Limits) -> [i64; 4] {
    [limits.low, limits.water_at, limits.target, limits.high].map(|limit| limit.percent().round() as i64)
}

#[test]
fn stages_come_out_as_the_contract_has_them() {
    let Checked { plan, .. } = everything();
    let told = |flat: usize| {
        let settings = &plan.flats[flat].1;
        let one = |stage: &StageSettings| {
            (stage.name.clone(), stage.begins, percent(settings.limits.with(&stage.limits)), stage.wet_is_meant)
        };
        settings.stages.iter().map(one).collect::<Vec<_>>()
    };
    let (germinating, growing, hardening) =
        ("germinating".to_owned(), "growing-on".to_owned(), "hardening-off".to_owned());
    assert_eq!(
        told(0),
        [
            (germinating.clone(), Begins::OnDay(0), [65, 70, 85, 105], true),
            (growing.clone(), Begins::OnDay(21), [20, 35, 50, 80], false),
            (hardening.clone(), Begins::Commanded, [25, 35, 45, 80], false),
        ]
    );
    assert_eq!(
        told(1),
        [
            (germinating, Begins::OnDay(0), [65, 70, 85, 105], true),
            (growing, Begins::OnDay(14), [25, 40, 55, 75], false),
            (hardening, Begins::Commanded, [25, 35, 45, 75], false),
        ]
    );
}

#[test]
fn valves_and_supplies_come_out_as_written() {
    let Checked { plan, wiring, .. } = everything();
    let [main, drip] = &plan.valves[..] else { panic!("{:?}", plan.valves) };
    assert_eq!((main.mode, main.has_timer, main.feeds.len()), (Mode::Auto, true, 0));
    assert_eq!((drip.mode, drip.method, drip.has_timer, drip.reports), (Mode::Auto, Method::Bottom, true, true));
    // Exact: NIST SP 811, appendix B.8: a US gallon is 3.785411784 L.
    assert!((drip.feeds[0].flow.get() - 3_785.411_784 / 7200.0).abs() < 1e-12);
    assert_eq!((drip.feeds[0].flat, drip.feeds[1].flat, drip.feeds[1].flow.get()), (1, 0, 0.5));
    assert_eq!(
        drip.hours.map(|(from, to)| (from.to_string(), to.to_string())),
        Some(("22:30:00".into(), "05:00:00".into()))
    );
    assert_eq!((drip.max_run, drip.rest, drip.supply), (Some(Span::minutes(10)), Some(Span::minutes(20)), Some(0)));
    assert!(drip.unweighed_accepted && !drip.without_timer_accepted);
    assert_eq!(plan.supplies[0].master, Some(0));
    let wired = &wiring.valves[1];
    assert_eq!((wired.open.as_str(), wired.close.as_str()), ("ON", "OFF"));
    assert_eq!(wired.before_open, Some(("roof/drip/timer".into(), "{seconds+100}".into())));
    assert_eq!(wired.never_while, [("roof/frost".into(), Some(Pointer(vec!["is".into()])), "yes".into())]);
    let level = wiring.levels[0].as_ref().expect("a level");
    assert!((level.2.get() - 3_785.411_784).abs() < 1e-9);
}

#[test]
fn the_broker_the_pages_and_phones_come_out_as_written() {
    let Checked { broker, web, phones, store, notes, .. } = everything();
    let Broker::Embedded(embedded) = broker else { panic!("{broker:?}") };
    let users: Vec<_> = embedded.users.iter().map(|u| (u.name.as_str(), u.password.reveal(), u.commands)).collect();
    assert_eq!(users, [("stand", "hush", false), ("phone", "opensesame", true)]);
    assert_eq!(embedded.listen.to_string(), "0.0.0.0:0");
    assert_eq!(web, Web::On { listen: "127.0.0.1:8000".parse().expect("an address"), password: None });
    assert_eq!(store.to_str(), Some("roof.db"));
    let phone = &phones[0];
    assert_eq!((phone.least, phone.repeat), (Severity::Critical, Some(Span::hours(4))));
    let (beat, every) = phone.heartbeat.as_ref().expect("a heartbeat");
    assert_eq!((beat.reveal(), *every), ("https://h.example.net/ok", Span::hours(1)));
    // Parts that are not built yet are told of, each once.
    for (word, told) in [
        ("`supplies`", 0),
        ("`mode`", 0),
        ("`stages`", 0),
        ("`shared`", 0),
        ("`like`", 0),
        ("`digest`", 0),
        ("`repeat`", 0),
    ] {
        assert_eq!(notes.iter().filter(|note| note.starts_with(word)).count(), told, "{word}: {notes:?}");
    }
}

#[test]
fn what_is_left_out_is_as_the_contract_says() {
    let Checked { plan, broker, web, phones, store, zone_given, .. } = good(
        "stands: {a: {topic: a}}\nflats: {f: {label: F, stand: a}}\nvalves: {v: {topic: v, open: o, close: c, feeds: {f: 1 L/h}}}\nnotify:\n",
    );
    assert_eq!((plan.base_topic.as_str(), plan.words, plan.zone.name()), ("tarewell", Words::Metric, "America/Lima"));
    let (stand, flat, valve) = (&plan.stands[0].1, &plan.flats[0].1, &plan.valves[0]);
    assert_eq!((stand.unit, stand.division.get(), stand.max_load), (WeightUnit::Gram, 1.0, None));
    assert_eq!(percent(flat.limits), [30, 40, 50, 75]);
    assert_eq!((flat.wet_for, flat.absent_for, flat.fastest_drying.get()), (Span::hours(72), Span::minutes(90), 180.0));
    assert_eq!((valve.mode, valve.method, valve.hours, valve.max_per_day), (Mode::Advise, Method::Drip, None, None));
    let Broker::Embedded(embedded) = broker else { panic!("{broker:?}") };
    assert_eq!((embedded.listen.to_string().as_str(), embedded.users.len()), ("127.0.0.1:1883", 0));
    assert_eq!((web, store.to_str(), phones.len(), zone_given), (Web::Off, Some("tarewell.db"), 0, false));
}

#[test]
fn a_mix_filled_dry_moves_the_limits() {
    let text =
        "fills: {d: {mix_when_filled: dry}}\nflats: {f: {label: F, fill: d}, g: {label: G, fill: d, low: 10%}}\n";
    let plan = good(text).plan;
    assert_eq!(percent(plan.flats[0].1.limits), [45, 50, 60, 75]);
    assert_eq!(percent(plan.flats[1].1.limits), [10, 50, 60, 75]);
}

#[test]
fn a_mix_goes_before_the_defaults_and_behind_the_flat_and_its_stage() {
    let text = "\
defaults: {low: 35%, water_at: 45%, target: 55%, high: 80%}
fills: {m: {mix_when_filled: moistened}, b: {mix_when_filled: bagged}, n: {cells: 72}}
flats:
  plain: {label: P}
  m: {label: M, fill: m}
  b: {label: B, fill: b}
  n: {label: N, fill: n}
  own: {label: O, fill: m, target: 60%}
  staged: {label: S, fill: m, sown: 2026-03-01, stages: [{name: rooting, low: 60%, water_at: 65%, target: 70%}]}
";
    let plan = good(text).plan;
    let limits: Vec<_> = plan.flats.iter().map(|(_, flat)| percent(flat.limits)).collect();
    let defaults = [35, 45, 55, 80];
    // Of a moistened mix `high` is not said: it is that of the defaults.
    let moistened = [20, 35, 50, 80];
    assert_eq!(limits, [defaults, moistened, defaults, defaults, [20, 35, 60, 80], moistened]);
    let (_, staged) = &plan.flats[5];
    assert_eq!(percent(staged.limits.with(&staged.stages[0].limits)), [60, 65, 70, 80]);
}

#[test]
fn json_pointers_read_as_rfc_6901_section_5_has_them() {
    let table: [(&str, &[&str]); 12] = [
        ("''", &[]),
        ("/foo", &["foo"]),
        ("/foo/0", &["foo", "0"]),
        ("/", &[""]),
        ("/a~1b", &["a/b"]),
        ("/c%d", &["c%d"]),
        ("/e^f", &["e^f"]),
        ("/g|h", &["g|h"]),
        (r"'/i\j'", &[r"i\j"]),
        (r#"'/k"l'"#, &[r#"k"l"#]),
        ("'/ '", &[" "]),
        ("/m~0n", &["m~n"]),
    ];
    for (written, tokens) in table {
        let checked = good(&format!("stands:\n  a:\n    topic: a\n    value: {written}\n"));
        let pointer = checked.wiring.bindings[0].value.clone().expect("a pointer");
        assert_eq!(pointer.0, tokens, "{written}");
    }
}

#[test]
fn aliases_and_merges_save_writing() {
    let text = "\
flats:
  a: &a {label: A, low: 20%, place: bench}
  b: {<<: *a, label: B}
";
    let plan = good(text).plan;
    assert_eq!((plan.flats[1].1.label.as_str(), plan.flats[1].1.place.as_deref()), ("B", Some("bench")));
    assert_eq!(percent(plan.flats[1].1.limits), [20, 40, 50, 75]);
}

#[test]
fn check_says_what_one_stuck_opening_would_pour() {
    let report = tarewell::command::check::report("roof.yaml", &everything(), TODAY);
    let lines: Vec<&str> = report.lines().collect();
    assert_eq!(lines[0], "roof.yaml is good: 3 stands, 5 flats, 2 valves");
    // Half a gallon an hour and 30 mL a minute: 1892.7 + 1800 mL in an hour, a sixth of it in 10 min: 20.8 fl oz. A master's
    // timer runs 10 s longer.
    assert_eq!(lines[1], "  valve `main`: stuck open it would pour 21.2 fl oz before its own timer closes it (610 s)");
    assert_eq!(lines[2], "  valve `drip`: stuck open it would pour 20.8 fl oz before its own timer closes it (600 s)");
    let endless =
        good("flats: {f: {label: F}}\nvalves: {v: {topic: v, open: o, close: c, feeds: {f: 2 L/h}, max_run: 5 min}}\n");
    let report = tarewell::command::check::report("x", &endless, TODAY);
    assert!(report.contains("stuck open it would pour 2.00 L an hour until somebody closes it"), "{report}");
}

#[test]
fn check_notes_what_is_allowed_and_hardly_meant() {
    let text = "\
site: {time_zone: Europe/Dublin}
stands: {bench: {topic: b, shared: true}, own: {topic: o}}
flats:
  a: {label: Leeks, sown: 2026-03-04, stand: bench}
  b: {label: Leeks, sown: 2027-03-05}
  c: {label: Beet, sown: 2026-03-05, stand: own}
  d: {label: Kale}
  e: {label: Chard, dry_weight: 2000 g, capacity_weight: 2001 g, dome_weight: 5 kg}
  f: {label: Cress, dry_weight: 2000 g}
  g: {label: Mint, sown: 1026-02-20, stand: bench}
  h: {label: Dill, sown: 2024-03-10, stand: bench}
";
    let report = tarewell::command::check::report("x", &good(text), TODAY);
    for note in [
        "flats `a` and `b` have the same label, \"Leeks\"",
        "flat `b` is `sown: 2027-03-05`, in 366 days",
        "flat `c` is `sown: 2026-03-05`, tomorrow",
        // Found by a new user.
        "flat `g` is `sown: 1026-02-20`, more than two years ago. Is the date right?",
        "`bench` takes only flats that name it (3); those without a stand are left out, such as `b` (4 in all)",
        "`dome_weight` of flat `e` is 5000 g, more than all the water between dry and soaked, 1 g",
        "unknown until `record-capacity`, if nothing was recorded yet",
        "flat `e` weighs 2000 g dry and 2001 g at capacity: that is hardly any water",
    ] {
        assert!(report.contains(note), "{note}: {report}");
    }
    assert_eq!(report.matches("note:").count(), 8, "{report}");
}

#[test]
fn a_band_that_no_flat_has_is_doubted() {
    // Found by a new user.
    let notes = |dry: &str, capacity: &str| {
        let pair = format!("dry_weight: {dry}, capacity_weight: {capacity}");
        let of_flat = good(&format!("version: 1\nflats: {{leek: {{label: Leek, {pair}}}}}\n")).notes;
        let of_fill =
            good(&format!("version: 1\nfills: {{plug: {{{pair}}}}}\nflats: {{leek: {{label: Leek, fill: plug}}}}\n"))
                .notes;
        assert_eq!(of_flat.len(), of_fill.len(), "{of_fill:?}");
        of_flat.join("; ")
    };
    assert!(notes("1 g", "1000000000000000000000000000000 g").contains("no flat weighs so much"));
    assert!(notes("100 g", "100.001 g").contains("hardly any water"));
    assert!(notes("100 g", "2500 g").contains("so many times its own weight"));
    for (dry, capacity) in [("1986 g", "3175 g"), ("250 g", "2900 g"), ("40 kg", "55 kg"), ("6 lb", "6.5 lb")] {
        assert_eq!(notes(dry, capacity), "", "{dry} to {capacity}");
    }
}
