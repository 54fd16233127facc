//! What goes out: topics, events and answers, by the contract, section 3. States have their own tests.

use crate::shed::plan;
use serde_json::{Value, json};
use tarewell::alert::{Kind, Severity};
use tarewell::moment::Wall;
use tarewell::site::{By, Event, Happening, RoundStep, Subject};
use tarewell::units::{Grams, Millilitres};
use tarewell::wire::{Names, Topic, topic, write_answer, write_event};

#[test]
fn topics_are_those_of_the_contract() {
    let names = Names::new(&plan());
    assert_eq!(topic::status(&names), "tarewell/status");
    assert_eq!(topic::events(&names), "tarewell/events");
    assert_eq!(topic::state(&names, Subject::Flat(1)).as_deref(), Some("tarewell/flats/leek-2"));
    assert_eq!(topic::state(&names, Subject::Valve(0)).as_deref(), Some("tarewell/valves/drip"));
    assert_eq!(topic::state(&names, Subject::Site), None);
    assert_eq!(topic::alert(&names, Kind::StandFault, Subject::Stand(0)), "tarewell/alerts/stand-fault/north");
    assert_eq!(topic::command(&names, Subject::Stand(0)), "tarewell/stands/north/command");
    assert_eq!(topic::command(&names, Subject::Site), "tarewell/command");
    let retained_by_qos: Vec<_> = Topic::ALL.iter().map(|topic| topic.row().qos).collect();
    assert_eq!(retained_by_qos, [1, 0, 0, 1, 1, 1, 1, 1, 1, 1]);
}

fn event(subject: Subject, what: Happening) -> Value {
    let mut line = Vec::new();
    // 2026-03-04T08:15:00Z; Berlin is an hour ahead (IANA tz database).
    let event = Event { seq: 41, at: Wall::from_millis(1_772_612_100_000), subject, what };
    write_event(&event, &Names::new(&plan()), plan().zone, &mut line);
    assert!(line.starts_with(br#"{"seq":41,"time":"2026-03-04T09:15:00+01:00","event":""#));
    serde_json::from_slice(&line).unwrap()
}

#[test]
fn events_have_the_fields_of_the_contract() {
    let more = |subject, what, expected: Value| {
        let mut got = event(subject, what);
        let got = got.as_object_mut().unwrap();
        got.remove("seq");
        got.remove("time");
        assert_eq!(Value::Object(got.clone()), expected);
    };
    let flat = Subject::Flat(0);
    let g = Grams::new;
    more(flat, Happening::Lifted, json!({"event":"lifted","of":"flat","id":"leek-1"}));
    more(
        flat,
        Happening::Returned { change: g(-0.04) },
        json!({"event":"returned","of":"flat","id":"leek-1","change_g":0.0}),
    );
    let watered = |told_at| {
        let (added, kept) = (Millilitres::new(401.26), Millilitres::new(395.0));
        Happening::Watered { added, kept, by: By::Hand, away: true, told_at }
    };
    more(
        flat,
        watered(None),
        json!({"event":"watered","of":"flat","id":"leek-1","added_ml":401.3,"kept_ml":395.0,"by":"hand","where":"away"}),
    );
    more(
        flat,
        watered(Some(Wall::from_millis(1_773_043_200_000))),
        json!({"event":"watered","of":"flat","id":"leek-1","added_ml":401.3,"kept_ml":395.0,"by":"hand","where":"away","at":"2026-03-09T09:00:00+01:00"}),
    );
    more(
        flat,
        Happening::Dome { on: false, change: g(-180.0) },
        json!({"event":"dome-off","of":"flat","id":"leek-1","change_g":-180.0}),
    );
    more(
        flat,
        Happening::Soaking { pass: 3, weight: g(4100.0) },
        json!({"event":"soaking","of":"flat","id":"leek-1","pass":3,"weight_g":4100.0}),
    );
    more(
        flat,
        Happening::DryRecorded { from: None, to: Some(g(2900.0)) },
        json!({"event":"dry-recorded","of":"flat","id":"leek-1","what":"dry_weight_g","from":null,"to":2900.0}),
    );
    more(
        flat,
        Happening::Moved { from: Some("north".to_owned()), to: None },
        json!({"event":"moved","of":"flat","id":"leek-1","what":"stand","from":"north","to":null}),
    );
    more(
        flat,
        Happening::SettingReplaced { what: "target".to_owned(), from: json!(0.6), to: json!(0.5) },
        json!({"event":"setting-replaced","of":"flat","id":"leek-1","what":"target","from":0.6,"to":0.5}),
    );
    more(
        flat,
        Happening::Undone { what: "band", undoes: Some(7) },
        json!({"event":"undone","of":"flat","id":"leek-1","what":"band","undoes":7}),
    );
    let renamed = Happening::Renamed { from: "leek".to_owned(), to: "leek-1".to_owned() };
    more(flat, renamed, json!({"event":"renamed","of":"flat","id":"leek-1","what":"id","from":"leek","to":"leek-1"}));
    let retired = Happening::Retired { flat: "beet".to_owned() };
    more(Subject::Site, retired, json!({"event":"retired","of":"flat","id":"beet"}));
    more(flat, Happening::BandForgotten, json!({"event":"band-forgotten","of":"flat","id":"leek-1"}));
    let round = |step| Happening::Round {
        step,
        next: Some("leek-2".to_owned()),
        weighed: 1,
        of: 2,
        missing: vec!["leek-2".to_owned()],
    };
    let fields = |event, next: Value| {
        let mut fields =
            json!({"event":event,"of":"stand","id":"bench","weighed":1,"of_flats":2,"not_weighed":["leek-2"]});
        fields.as_object_mut().unwrap().extend(next.as_object().unwrap().clone());
        fields
    };
    more(Subject::Stand(1), round(RoundStep::Resumed), fields("round-resumed", json!({"next":"leek-2"})));
    more(Subject::Stand(1), round(RoundStep::Ended), fields("round-ended", json!({})));
    more(
        Subject::Stand(1),
        Happening::AlertRaised { kind: Kind::StandSilent, severity: Severity::Warning, title: "t".to_owned() },
        json!({"event":"alert-raised","of":"stand","id":"bench","kind":"stand-silent","severity":"warning","title":"t"}),
    );
    more(
        Subject::Site,
        Happening::CommandRefused { command: "sing".to_owned(), error: "no".to_owned() },
        json!({"event":"command-refused","of":"site","id":"tarewell","command":"sing","error":"no"}),
    );
}

#[test]
fn answers_say_ok_or_why_not() {
    let written = |answer| {
        let mut line = Vec::new();
        write_answer(&answer, &mut line);
        String::from_utf8(line).unwrap()
    };
    let more = json!({"weight_g":2900.0}).as_object().unwrap().clone();
    assert_eq!(written(Ok(more)), r#"{"ok":true,"weight_g":2900.0}"#);
    assert_eq!(written(Err("not \"steady\"".to_owned())), r#"{"ok":false,"error":"not \"steady\""}"#);
}
