//! From the kitchen scale out of its box to sixty flats planted out, by the steps of the README.

use crate::bench::{House, finish, now, tarewell};
use crate::ear::{Ear, Scale};
use crate::http::{get, post};
use serde_json::{Value, json};
use std::net::SocketAddr;

fn bench(flats: usize) -> String {
    let mut yaml =
        "fills:\n  plug-60: {cells: 60, tare: 410 g}\nstands:\n  bench: {topic: bench/scale, shared: true}\nflats:\n"
            .to_owned();
    for flat in 1..=flats {
        yaml.push_str(&format!(
            "  leek-{flat}: {{label: Leek {flat}, fill: plug-60, sown: 2026-02-20, place: north shelf, stages: standard}}\n"
        ));
    }
    yaml
}

/// Commands over HTTP; what is answered.
struct Phone(SocketAddr);

impl Phone {
    fn flat(&self, flat: usize, command: &Value) -> (u16, Value) {
        self.say(&format!("/api/flats/leek-{flat}/command"), command)
    }

    fn say(&self, path: &str, command: &Value) -> (u16, Value) {
        post(self.0, path, &command.to_string())
    }

    fn done(&self, flat: usize, command: &Value) -> Value {
        let (status, answer) = self.flat(flat, command);
        assert_eq!((status, &answer["ok"]), (200, &json!(true)), "{command}: {answer}");
        answer
    }

    fn list(&self, path: &str) -> Vec<Value> {
        let (status, body) = get(self.0, path);
        assert_eq!(status, 200, "{body}");
        body.as_array().unwrap().clone()
    }
}

#[test]
fn from_a_kitchen_scale_to_sixty_flats_planted_out() {
    let house = House::own_broker();
    let service = house.run(&bench(60));
    let phone = Phone(service.web());

    // Each is weighed as filled, soaked at the sink, drained, and weighed again; the times are when it was done.
    let weigh = |grams: f64, hours_ago: i64| {
        let at = now() - chrono::Duration::hours(hours_ago);
        json!({"command": "weigh", "weight_g": grams, "at": at.to_rfc3339()})
    };
    for flat in 1..=60 {
        let more = flat as f64;
        phone.done(flat, &json!({"command": "weigh", "weight_g": 1600.0 + more}));
        phone.done(flat, &json!("record-dry"));
        phone.done(flat, &json!({"command": "weigh", "weight_g": 2700.0 + more}));
        let band = phone.done(flat, &json!({"command": "record-capacity", "now": true}));
        assert_eq!(band["capacity_weight_g"].as_f64().unwrap() - band["dry_weight_g"].as_f64().unwrap(), 1100.0);
    }
    // Sown on 20 February, so past germinating by its days; a command goes before them.
    phone.done(1, &json!({"command": "stage", "stage": "germinating"}));
    assert_eq!(phone.done(1, &json!("emerged"))["stage"], "growing-on");

    // The kitchen scale again: three are due, one of them was poured on.
    assert!(phone.list("/api/today").is_empty());
    for (flat, grams) in [(17, 1930.0), (4, 1950.0), (44, 1960.0)] {
        phone.done(flat, &json!({"command": "weigh", "weight_g": grams, "sure": true}));
    }
    let today: Vec<Value> = phone.list("/api/today").iter().map(|item| item["flat"].clone()).collect();
    assert_eq!(today, ["leek-4", "leek-17", "leek-44"], "in walking order");
    phone.done(17, &json!({"command": "watered", "volume_ml": 300}));
    assert_eq!(phone.list("/api/today").len(), 2);
    let (status, refused) = phone.flat(4, &weigh(1500.0, 1));
    assert!(status == 409 && refused["error"].as_str().unwrap().contains("later"), "{refused}");
    let (status, refused) = phone.flat(4, &json!({"command": "weigh", "weight_g": 700}));
    assert!(status == 409 && refused["error"].as_str().unwrap().contains("cannot be Leek 4"), "{refused}");

    // A scale that publishes: a round.
    let ear = Ear::open(service.broker(), &["tarewell/#"]);
    let scale = Scale::start(service.broker(), "bench/scale", &[0.0, 0.1]);
    let round = phone.say("/api/stands/bench/command", &json!({"command": "round", "flats": ["leek-4", "leek-44"]}));
    assert_eq!(round.1["round"]["flat"], "leek-4");
    scale.set(&[1949.0, 1949.4]);
    ear.state(0, "tarewell/flats/leek-4", |state| state["basis"] == "scale");
    scale.set(&[0.0, 0.1]);
    ear.state(0, "tarewell/stands/bench", |state| state["round"]["flat"] == "leek-44");
    let (status, twice) = phone.say("/api/stands/bench/command", &json!("round"));
    assert!(status == 409 && twice["error"].as_str().unwrap().contains("under way"), "{twice}");
    phone.say("/api/stands/bench/command", &json!("end"));

    // Away over the weekend; hardening off; planted out.
    let until = (now() + chrono::Duration::days(2)).format("%Y-%m-%d").to_string();
    let away = phone.list(&format!("/api/away?until={until}"));
    assert_eq!(away.len(), 60);
    assert!(away.iter().all(|flat| flat["lasts_until"].is_string()), "{}", away[0]);
    phone.done(9, &json!({"command": "stage", "stage": "hardening-off"}));
    phone.done(9, &json!({"command": "pot-on", "into": ["leek-10"]}));
    assert_eq!(phone.flat(9, &json!({"command": "weigh", "weight_g": 2000})).0, 409, "retired");
    let (status, past) = get(service.web(), "/api/away?until=2020-01-01");
    assert!(status == 400 && past["error"].as_str().unwrap().contains("2020-01-01 is over"), "{past}");
    // On the command line the running service is asked, where its address is known.
    let asking = house.path("asking.yaml");
    let file = std::fs::read_to_string(house.path("tarewell.yaml")).unwrap();
    std::fs::write(&asking, file.replace("web: 127.0.0.1:0", &format!("web: {}", service.web()))).unwrap();
    let away = |config: &std::path::Path| {
        let mut command = tarewell();
        command.args(["away", "--until", &until, "--config"]).arg(config);
        let (code, table, errors) = finish(command);
        assert_eq!(code, 0, "{errors}");
        table
    };
    let asked = away(&asking);
    assert!(asked.lines().next().unwrap().contains("(asked of the running service at http://127.0.0.1:"), "{asked}");
    assert!(asked.contains("Leek 44: low from") && !asked.contains("Leek 9:"), "{asked}");
    drop(scale);
    assert_eq!(service.stop().0, 0);
    let left = away(&asking);
    assert!(left.contains("(by the store, as of ") && left.contains("no service answers at http://"), "{left}");
    assert_eq!(left.lines().count(), asked.lines().count());

    let mut command = tarewell();
    command.args(["away", "--until", &until, "--config"]).arg(house.path("tarewell.yaml"));
    let (code, table, errors) = finish(command);
    assert_eq!(code, 0, "{errors}");
    assert!(table.contains("Leek 44: low from") && table.lines().count() >= 60, "{table}");
    let mut command = tarewell();
    command.args(["away", "--until", "sunday", "--config"]).arg(house.path("tarewell.yaml"));
    let (code, _, errors) = finish(command);
    assert!(code == 2 && errors.contains("sunday"), "{errors}");
    assert!(!table.contains("Leek 9:"), "it is retired: {table}");
    let mut command = tarewell();
    command.args(["away", "--until", "2020-01-01", "--config"]).arg(house.path("tarewell.yaml"));
    let (code, _, errors) = finish(command);
    assert!(code == 2 && errors.contains("is over"), "{errors}");

    let out = house.path("tables");
    let export = |more: &[&str]| {
        let mut command = tarewell();
        command.arg("export").args(more).arg("--out").arg(&out).arg("--config").arg(house.path("tarewell.yaml"));
        finish(command)
    };
    let (code, told, errors) = export(&["--flat", "leek-17", "--flat", "leek-9"]);
    assert_eq!(code, 0, "{errors}");
    assert!(told.contains("weights.csv:") && told.contains("waterings.csv: 3 rows"), "{told}");
    // Two soaks that nobody told of, and a pour.
    let read = |name: &str| std::fs::read_to_string(out.join(name)).unwrap();
    assert!(read("weights.csv").starts_with("flat,time,weight_g,fraction\n"), "{}", read("weights.csv"));
    assert_eq!(
        read("weights.csv").lines().filter(|line| line.starts_with("leek-17,")).count(),
        3,
        "{}",
        read("weights.csv")
    );
    assert!(
        read("waterings.csv").contains(",300.0,300.0,hand,away")
            || read("waterings.csv").contains(",300,300,hand,away")
    );
    assert_eq!(read("bands.csv").lines().filter(|line| line.contains("capacity-recorded")).count(), 2);
    assert!(read("events.csv").contains("potted-on"), "a flat that is done with too");
    let (code, _, errors) = export(&[]);
    assert!(code == 1 && errors.contains("--force"), "{errors}");
    let (code, told, _) = export(&["--force", "--fill", "plug-60", "--from", "2020-01-01", "--to", "2020-01-02"]);
    assert!(code == 0 && told.contains("events.csv: 0 rows"), "{told}");
    let (code, _, errors) = export(&["--force", "--fill", "plug-61"]);
    assert!(code == 2 && errors.contains("plug-61"), "{errors}");
    let (code, _, errors) = export(&["--force", "--flat", "leak-17"]);
    assert!(code == 2 && errors.contains("leak-17"), "{errors}");
    assert!(!read("bands.csv").contains("corrected"), "corrections of waterings are no bands: {}", read("bands.csv"));

    // What was typed is still known after a restart.
    let service = house.again();
    let phone = Phone(service.web());
    let (_, site) = get(service.web(), "/api/site");
    assert_eq!(site["flats"][16]["basis"], "typed");
    assert!(site["flats"][16]["fraction"].as_f64().unwrap() > 0.5, "poured on");
    assert_eq!(site["flats"][8]["advice"], "Retired: nothing to do.");
    assert_eq!(phone.list("/api/today").len(), 2);
}
