//! Every bad file says what is wrong with it.
//!
//! The files lie in `tests/data/config/`. Each ends with what is to be told of it, one line a problem:
//! `# expect LINE:COLUMN phrase ~ phrase …`. Nothing else may be told.

use crate::{bad, good, read_bytes};
use std::fs;
use std::path::Path;
use tarewell::config::{LARGEST, Problem};

struct Expected {
    place: (usize, usize),
    phrases: Vec<String>,
}

fn expected(text: &str) -> Vec<Expected> {
    let one = |line: &str| {
        let rest = line.strip_prefix("# expect ")?;
        let (place, phrases) = rest.split_once(' ').expect("a place and phrases");
        let (line, column) = place.split_once(':').expect("line:column");
        let place = (line.parse().expect("a line"), column.parse().expect("a column"));
        Some(Expected { place, phrases: phrases.split(" ~ ").map(str::to_owned).collect() })
    };
    text.lines().filter_map(one).collect()
}

fn tells(problem: &Problem, expected: &Expected) -> bool {
    let all = problem.to_string();
    (problem.line, problem.column) == expected.place && expected.phrases.iter().all(|phrase| all.contains(phrase))
}

#[test]
fn every_bad_file_tells_what_is_wrong_and_nothing_else() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/config");
    let mut failures = String::new();
    let mut files = 0;
    for file in fs::read_dir(folder).expect("the folder of bad files") {
        let path = file.expect("a file").path();
        let text = fs::read_to_string(&path).expect("a text");
        let name = path.file_name().unwrap_or_default().display().to_string();
        files += 1;
        let problems = match read_bytes(text.as_bytes()) {
            Err(problems) => problems.list,
            Ok(_) => Vec::new(),
        };
        let mut left: Vec<&Problem> = problems.iter().collect();
        for expected in expected(&text).iter() {
            match left.iter().position(|problem| tells(problem, expected)) {
                Some(at) => drop(left.remove(at)),
                None => failures += &format!("{name}: not told: {:?} {:?}\n", expected.place, expected.phrases),
            }
        }
        for problem in left.iter().filter(|_| name != "empty.yaml") {
            failures += &format!("{name}: told too: {}:{}: {problem}\n", problem.line, problem.column);
        }
        assert!(!problems.is_empty(), "{name}: nothing is told");
    }
    assert!(failures.is_empty(), "\n{failures}");
    assert!(files > 40, "only {files} bad files were found");
}

#[test]
fn an_empty_file_is_refused_and_so_is_one_of_comments_alone() {
    for text in ["", "\n\n", "# nothing yet\n", "\u{feff}", "---\n"] {
        let problems = bad(text);
        assert_eq!(problems.list.len(), 1, "{text:?}: {problems}");
    }
}

#[test]
fn ten_and_more_problems_are_told_at_once_in_the_order_of_the_file() {
    let problems = bad(include_str!("../data/config/words.yaml"));
    assert!(problems.list.len() >= 10);
    assert!(problems.list.is_sorted_by_key(|problem| (problem.line, problem.column)));
    // One whole problem, as a person sees it.
    let told = problems.to_string();
    let whole = "t.yaml:6:23: `unit` of stand `a` cannot be `grams`; stand `a` would go on with the default, g. \
        Did you mean `g`?\n  6 |   a: {topic: a, unit: grams, shared: yes}\n    |                       ^^^^^";
    assert!(told.contains(whole), "{told}");
}

#[test]
fn windows_line_ends_and_a_byte_order_mark_change_no_place() {
    let unix = include_str!("../data/config/references.yaml");
    let windows = format!("\u{feff}{}", unix.replace('\n', "\r\n"));
    assert_eq!(bad(unix).list, bad(&windows).list);
    let example = include_str!("../../config/tarewell.yaml").replace('\n', "\r\n");
    assert_eq!(good(&example).plan.flats.len(), 3);
}

#[test]
fn what_is_not_utf8_or_too_large_is_refused_with_its_place() {
    let latin1 = b"site:\n  name: K\xE4se\n";
    let problems = read_bytes(latin1).expect_err("Latin-1");
    let told = problems.to_string();
    assert!(told.starts_with("t.yaml:2:10: a byte here is not UTF-8"), "{told}");
    let large = "# 7 bytes\n".repeat(LARGEST / 10 + 1);
    assert!(bad(&large).to_string().contains("more than 1048576 bytes"));
}

#[test]
fn no_secret_is_printed_whatever_is_wrong_beside_it() {
    let text = "\
broker: {url: mqtt://h, username: u, password: pw-one, client_key_file: k}
web: {listen: 1, password: pw-two}
notify:
  p: {url: \"https://h.example.net/pw-three\", headers: {A: pw-four}, lest: x, pasword: pw-five}
  q: {url: pw-six, passwd: [pw-seven], heartbeat: {url: \"http://h.example.net/pw-eight\", evry: 1}}
flats:
  f: {label: F, password: pw-nine, dry_weight: \"${SET}\", token: pw-ten}
";
    let told = bad(text).to_string();
    assert!(!told.contains("pw-") && !told.contains("hush"), "{told}");
    let users = "broker:\n  embedded: {listen: 1, users: {a: pw-one, b: {password: pw-two, commands: 7}}}\n";
    let told = bad(users).to_string();
    assert!(!told.contains("pw-"), "{told}");
    let broken = "broker:\n  password: pw-one: pw-two\n";
    let told = bad(broken).to_string();
    assert!(!told.contains("pw-"), "{told}");
    for text in [
        "broker: mqtt://me:pw-one@h\n",
        "broker: me:pw-one@h\n",
        "broker: {embedded: {users: pw-one}}\n",
        "broker: {url: mqtt://h, username: u, password: \"pw-one ${NOT_SET}\"}\n",
        "notify: {p: {url: \"https://h/${NOT_SET}/pw-one\", headers: pw-two, heartbeat: \"https://h/pw-three\"}}\n",
        "notify: {p: {url: \"https://h\", headers: {A: \"Bearer pw-one ${NOT_SET}\", B: [pw-two]}}}\n",
        "notify:\n  p:\n    body: >\n      pw-one {nothing}\n    url: \"ftp://h\n     pw-two\"\n",
    ] {
        let problems = bad(text);
        assert!(!format!("{problems} {problems:?}").contains("pw-"), "{problems:?}");
    }
}

#[test]
fn a_good_file_prints_no_secret_either() {
    let text = "\
broker: {url: \"mqtt://broker.example.org\", username: u, password_file: good.secret}
web: {listen: \"0.0.0.0:0\", password: \"${SET}\"}
notify: {p: {url: \"https://h.example.net/pw-one\", headers: {A: \"Bearer ${SET}\"}}}
";
    let checked = good(text);
    let shown = format!("{checked:?}");
    assert!(!shown.contains("pw-") && !shown.contains("hush") && !shown.contains("opensesame"), "{shown}");
    let tarewell::config::Broker::Existing(broker) = &checked.broker else { panic!("{:?}", checked.broker) };
    // The file's last line end is not part of the password.
    assert_eq!(broker.password.as_ref().map(tarewell::config::Secret::reveal), Some("opensesame"));
    assert_eq!((broker.host.as_str(), broker.port, broker.tls), ("broker.example.org", 1883, false));
    assert_eq!(checked.phones[0].headers[0].1.reveal(), "Bearer hush");
}
