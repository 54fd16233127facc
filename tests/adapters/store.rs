//! The store: what is in it survives, and nothing else is ever touched.

use rusqlite::Connection;
use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Command, Stdio};
use std::sync::mpsc;
use std::time::Duration;
use tarewell::alert::Kind;
use tarewell::moment::{Span, Wall};
use tarewell::store::{AT_MOST, Of, Point, Reader, Report, Store, StoreError, Write, Writer, thin};
use tarewell::units::{Fraction, Grams};

/// 2026-03-02T00:00:00Z.
const START: Wall = Wall::from_millis(1_772_409_600_000);
const LONG: Duration = Duration::from_secs(30);

fn fact(id: &str, json: &str) -> Write {
    Write::Fact { of: Of::Flat, id: id.into(), json: json.into(), wall: START }
}

fn event(seq: u64, wall: Wall) -> Write {
    Write::Event { seq, wall, of: Of::Flat, id: "leek-1".into(), name: "watered", json: format!("{{\"seq\":{seq}}}") }
}

fn weight(flat: &str, wall: Wall, grams: f64) -> Write {
    Write::Weight { flat: flat.into(), wall, weight: Grams::new(grams), fraction: Some(Fraction::new(0.4)) }
}

#[test]
fn everything_written_is_there_after_opening_again() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("store.db");
    let alert = |json: &str| Write::Alert { kind: Kind::Dry, of: Of::Flat, id: "leek-1".into(), json: json.into() };
    let command = |id: &str, wall| Write::Command { id: id.into(), wall, answer: "{\"ok\":true}".into() };
    let mut store = Store::open(&path).unwrap();
    store
        .write(&[
            fact("leek-1", "old"),
            fact("leek-1", "new"),
            fact("leek-2", "x"),
            Write::ForgetFact { of: Of::Flat, id: "leek-2".into() },
            alert("a"),
            event(7, START + Span::hours(1)),
            weight("leek-1", START + Span::hours(2), 3100.0),
            command("one", START),
            command("two", START + Span::hours(25)),
        ])
        .unwrap();
    drop(store);

    let store = Store::open(&path).unwrap();
    let saved = store.load().unwrap();
    assert_eq!(saved.facts.len(), 1);
    assert_eq!((saved.facts[0].id.as_str(), saved.facts[0].json.as_str()), ("leek-1", "new"));
    assert_eq!((saved.alerts.len(), saved.alerts[0].kind, saved.alerts[0].json.as_str()), (1, Kind::Dry, "a"));
    assert_eq!(saved.last_seq, 7);
    assert_eq!(saved.newest_wall, Some(START + Span::hours(25)));
    let ids: Vec<_> = saved.commands.iter().map(|(id, ..)| id.as_str()).collect();
    assert_eq!(ids, ["two"], "an id is forgotten a day after it was used");
    let points = store.history("leek-1", None, None, 100).unwrap();
    let at = START + Span::hours(2);
    assert_eq!(points, [Point { at, weight: Grams::new(3100.0), fraction: Some(Fraction::new(0.4)) }]);
    assert_eq!(store.events(Some((Of::Flat, "leek-1")), 10).unwrap()[0].seq, 7);
    assert!(store.events(Some((Of::Flat, "leek-2")), 10).unwrap().is_empty());
}

#[test]
fn a_batch_is_written_whole_or_not_at_all() {
    let mut store = Store::in_memory().unwrap();
    let unkeepable =
        Write::Weight { flat: "leek-1".into(), wall: START, weight: Grams::default() / 0.0, fraction: None };
    let error = store.write(&[fact("leek-1", "x"), unkeepable]).unwrap_err();
    assert!(error.hopeless(), "{error}");
    assert!(store.load().unwrap().facts.is_empty());
}

#[test]
fn what_is_retired_comes_back_as_it_was_but_for_its_alerts() {
    let mut store = Store::in_memory().unwrap();
    let alert = Write::Alert { kind: Kind::Dry, of: Of::Flat, id: "leek-1".into(), json: "a".into() };
    store.write(&[fact("leek-1", "x"), alert]).unwrap();
    store.retire(Of::Flat, "leek-1", START).unwrap();
    store.retire(Of::Flat, "leek-1", START + Span::days(300)).unwrap();
    let saved = store.load().unwrap();
    assert_eq!(saved.facts[0].retired, Some(START));
    assert!(saved.alerts.is_empty());

    store.compact(START + Span::days(399)).unwrap();
    assert_eq!(store.load().unwrap().facts.len(), 1);
    store.compact(START + Span::days(401)).unwrap();
    assert!(store.load().unwrap().facts.is_empty());
}

#[test]
fn old_weights_are_thinned_to_one_an_hour_and_very_old_ones_go() {
    let mut store = Store::in_memory().unwrap();
    let ten_minutes = |n: i32| START + Span::minutes(10 * i64::from(n));
    let batch: Vec<_> = (0..6 * 24 * 3).map(|n| weight("leek-1", ten_minutes(n), 3000.0 + f64::from(n))).collect();
    store.write(&batch).unwrap();
    store.write(&[event(1, START), event(2, START + Span::minutes(1))]).unwrap();
    let times = |store: &Store| {
        let points = store.history("leek-1", None, None, usize::MAX).unwrap();
        points.into_iter().map(|point| point.at).collect::<Vec<_>>()
    };

    // Half an hour past a full hour: the hour that is only half old is left alone.
    store.compact(START + Span::days(31) + Span::minutes(30)).unwrap();
    let left = times(&store);
    assert_eq!(left.len(), 24 + 6 * 24 * 2);
    assert!(left[..24].iter().enumerate().all(|(hour, at)| *at == START + Span::hours(i64::try_from(hour).unwrap())));
    store.compact(START + Span::days(31) + Span::minutes(30)).unwrap();
    assert_eq!(times(&store), left, "the same again changes nothing");

    store.compact(START + Span::days(402)).unwrap();
    assert_eq!(times(&store).len(), 24);
    assert_eq!(times(&store)[0], START + Span::days(2));
    assert_eq!(store.load().unwrap().last_seq, 2, "the number of events goes on after they are gone");
    assert_eq!(store.events(None, 10).unwrap().len(), 1);
}

#[test]
fn a_long_history_keeps_its_ends_and_its_extremes() {
    let points: Vec<_> = (0..50_000_i32)
        .map(|n| {
            let grams = if n == 31_234 {
                9000.0
            } else if n == 8_765 {
                100.0
            } else {
                3000.0 + f64::from(n % 17)
            };
            Point { at: START + Span::seconds(i64::from(n) * 60), weight: Grams::new(grams), fraction: None }
        })
        .collect();
    for at_most in [0, 1, 2, 3, 4, 5, 100, AT_MOST] {
        let kept = thin(points.clone(), at_most);
        assert!(kept.len() <= at_most, "{} of at most {at_most}", kept.len());
        assert!(kept.is_sorted_by(|a, b| a.at < b.at));
        if at_most >= 2 {
            assert_eq!((kept[0], kept[kept.len() - 1]), (points[0], points[49_999]));
        }
        if at_most >= 4 {
            assert!(kept.contains(&points[31_234]) && kept.contains(&points[8_765]), "at most {at_most}");
        }
    }
    assert_eq!(thin(points[..10].to_vec(), 10), points[..10]);
}

#[test]
fn a_second_process_is_refused_in_words_and_a_reader_is_not() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("store.db");
    let mut store = Store::open(&path).unwrap();
    let error = Store::open(&path).unwrap_err().to_string();
    assert!(error.contains("in use") && error.contains(&std::process::id().to_string()), "{error}");
    #[cfg(unix)]
    {
        let other_name = folder.path().join("link.db");
        std::os::unix::fs::symlink(&path, &other_name).unwrap();
        assert!(matches!(Store::open(&other_name), Err(StoreError::InUse { .. })));
    }
    let reader = Reader::open(&path).unwrap();
    store.write(&[weight("leek-1", START, 3000.0)]).unwrap();
    assert_eq!(reader.history("leek-1", Some(START), Some(START), 10).unwrap().len(), 1);
    drop(store);
    Store::open(&path).unwrap();
}

/// Whether the file is byte for byte what it was after `Store::open` has refused it; gives the words.
fn refused_untouched(path: &Path) -> String {
    let before = std::fs::read(path).unwrap();
    let error = Store::open(path).unwrap_err().to_string();
    assert_eq!(std::fs::read(path).unwrap(), before, "{error}");
    assert!(error.contains(&path.display().to_string()), "{error}");
    error
}

#[test]
fn what_is_not_ours_is_refused_and_left_as_it_is() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("notes.txt");
    for text in ["bring string and labels\n".repeat(400), "short".into()] {
        std::fs::write(&path, text).unwrap();
        let error = refused_untouched(&path);
        assert!(error.contains("nor any SQLite file"), "{error}");
    }

    let path = folder.path().join("other.db");
    Connection::open(&path).unwrap().execute_batch("CREATE TABLE bees (hive)").unwrap();
    let error = refused_untouched(&path);
    assert!(error.contains("another application"), "{error}");

    let path = folder.path().join("newer.db");
    drop(Store::open(&path).unwrap());
    Connection::open(&path).unwrap().pragma_update(None, "user_version", 99).unwrap();
    let error = refused_untouched(&path);
    assert!(error.contains("newer tarewell") && error.contains("99"), "{error}");
    assert!(Reader::open(&path).unwrap_err().to_string().contains("newer tarewell"));

    let missing = folder.path().join("no-such-folder/store.db");
    assert!(Store::open(&missing).unwrap_err().to_string().contains("no-such-folder"));
    assert!(Reader::open(&folder.path().join("none.db")).is_err());
    assert!(Store::open(folder.path()).is_err());
}

#[test]
fn the_writer_keeps_order_and_lets_go_of_the_store_when_it_is_closed() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("store.db");
    let writer = Writer::start(Store::open(&path).unwrap(), |_| {}).unwrap();
    let mut last = 0;
    for n in 0..500 {
        last = writer.send(vec![fact("leek-1", &n.to_string()), event(n + 1, START)]);
    }
    assert!(writer.wait(last, LONG));
    assert_eq!(writer.written(), last);
    writer.compact(START);
    let unhurried = writer.send(vec![weight("leek-1", START, 3000.0)]);
    assert!(writer.close(LONG));
    assert_eq!(unhurried, last + 1);

    let store = Store::open(&path).unwrap();
    let saved = store.load().unwrap();
    assert_eq!((saved.facts[0].json.as_str(), saved.last_seq), ("499", 500));
    assert_eq!(store.history("leek-1", None, None, 10).unwrap().len(), 1);
}

#[test]
fn the_writer_says_when_it_cannot_write_and_goes_on_when_it_can() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("store.db");
    let (tell, told) = mpsc::channel();
    let store = Store::open(&path).unwrap();
    let other = Connection::open(&path).unwrap();
    other.execute_batch("BEGIN IMMEDIATE").unwrap();
    let writer = Writer::start(store, move |report| tell.send(report).unwrap()).unwrap();
    writer.send(vec![fact("leek-1", "first")]);
    let Report::Failing(why) = told.recv_timeout(LONG).unwrap() else { panic!("not failing") };
    assert!(why.contains("another program is writing"), "{why}");
    assert!(!writer.works());
    let last = writer.send(vec![fact("leek-1", "second")]);
    assert_eq!(writer.written(), 0);

    other.execute_batch("ROLLBACK").unwrap();
    assert!(writer.wait(last, LONG));
    assert_eq!(told.recv_timeout(LONG).unwrap(), Report::Recovered);
    assert!(writer.works());
    assert!(writer.close(LONG));
    assert_eq!(Store::open(&path).unwrap().load().unwrap().facts[0].json, "second");
}

#[test]
fn one_write_that_can_never_succeed_does_not_hold_up_the_others() {
    let (tell, told) = mpsc::channel();
    let writer = Writer::start(Store::in_memory().unwrap(), move |report| tell.send(report).unwrap()).unwrap();
    let unkeepable =
        Write::Weight { flat: "leek-1".into(), wall: START, weight: Grams::default() / 0.0, fraction: None };
    let number = writer.send(vec![fact("leek-1", "x"), unkeepable, fact("leek-2", "y")]);
    assert!(writer.wait(number, LONG));
    assert!(matches!(told.recv_timeout(LONG).unwrap(), Report::Refused(_)));
    assert!(writer.works() && writer.close(LONG));
}

#[test]
fn closing_ends_in_time_also_when_nothing_can_be_written() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("store.db");
    let store = Store::open(&path).unwrap();
    let other = Connection::open(&path).unwrap();
    other.execute_batch("BEGIN IMMEDIATE").unwrap();
    let writer = Writer::start(store, |_| {}).unwrap();
    writer.send(vec![fact("leek-1", "x")]);
    assert!(!writer.close(Duration::from_millis(50)));
}

/// Runs this very binary as another process that writes to the store at `path` until it is killed; see below.
fn child(path: &Path, through: &[&str]) -> std::process::Child {
    let this = std::env::current_exe().unwrap();
    let mut words: Vec<&std::ffi::OsStr> = through.iter().map(std::ffi::OsStr::new).collect();
    words.push(this.as_os_str());
    Command::new(words[0])
        .args(&words[1..])
        .args(["--exact", "store::writes_until_it_is_killed", "--nocapture", "--test-threads=1"])
        .env("TAREWELL_TEST_STORE", path)
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap()
}

/// Not a test of its own: the process that the tests below kill. Each line says what it has been told is written.
#[test]
fn writes_until_it_is_killed() {
    let Some(path) = std::env::var_os("TAREWELL_TEST_STORE") else { return };
    let mut store = Store::open(Path::new(&path)).unwrap();
    let last = store.load().unwrap().last_seq;
    for n in last + 1.. {
        let many =
            (0..n % 7).map(|k| weight("leek-1", START + Span::seconds(i64::try_from(n * 10 + k).unwrap()), 3000.0));
        let batch: Vec<_> = [fact("leek-1", &n.to_string()), event(n, START)].into_iter().chain(many).collect();
        match store.write(&batch) {
            Ok(()) => println!("\nwritten {n}"),
            Err(error) => {
                println!("\nfailed {error}");
                return;
            }
        }
    }
}

fn number(line: &str) -> Option<u64> {
    line.strip_prefix("written ")?.parse().ok()
}

#[test]
fn everything_acknowledged_is_there_after_a_kill() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("store.db");
    let mut acknowledged = 0;
    for round in 0..12_u64 {
        let mut child = child(&path, &[]);
        let mut lines = BufReader::new(child.stdout.take().unwrap()).lines().map_while(Result::ok);
        // Killed after another number of batches each time, and wherever the process happens to be then.
        let enough = acknowledged + 1 + (round * round * 7) % 40;
        for n in lines.by_ref().filter_map(|line| number(&line)) {
            acknowledged = n;
            if n >= enough {
                break;
            }
        }
        child.kill().unwrap();
        child.wait().unwrap();
        acknowledged = lines.filter_map(|line| number(&line)).last().unwrap_or(acknowledged);
        assert!(acknowledged >= enough);

        let store = Store::open(&path).unwrap();
        let saved = store.load().unwrap();
        assert!(saved.last_seq == acknowledged || saved.last_seq == acknowledged + 1, "{saved:?}");
        assert_eq!(saved.facts[0].json, saved.last_seq.to_string(), "a batch is whole");
        let events = store.events(None, usize::MAX).unwrap();
        assert_eq!(u64::try_from(events.len()).unwrap(), saved.last_seq, "no event is missing");
        acknowledged = saved.last_seq;
    }
}

#[test]
fn a_kill_while_the_store_is_made_leaves_one_that_opens() {
    let folder = tempfile::tempdir().unwrap();
    for round in 0..10 {
        let path = folder.path().join(format!("store-{round}.db"));
        let mut child = child(&path, &[]);
        while !path.exists() {
            assert!(child.try_wait().unwrap().is_none(), "the child has ended");
            std::thread::yield_now();
        }
        for _ in 0..round * 20_000 {
            std::hint::spin_loop();
        }
        child.kill().unwrap();
        child.wait().unwrap();
        let mut store = Store::open(&path).unwrap();
        store.write(&[event(1_000_000, START)]).unwrap();
    }
}

#[test]
#[cfg(unix)]
fn a_full_disk_is_told_and_spoils_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("store.db");
    // The shell allows files of 200 blocks of 512 bytes; what goes beyond fails, as on a full disk.
    let limited = ["sh", "-c", "trap '' XFSZ; ulimit -f 200; exec \"$0\" \"$@\""];
    let mut child = child(&path, &limited);
    let lines: Vec<_> = BufReader::new(child.stdout.take().unwrap()).lines().map_while(Result::ok).collect();
    child.wait().unwrap();
    let acknowledged = lines.iter().filter_map(|line| number(line)).next_back().unwrap();
    let failed = lines.iter().find(|line| line.starts_with("failed ")).unwrap();
    assert!(failed.contains("cannot write to the store"), "{failed}");
    let mut store = Store::open(&path).unwrap();
    assert_eq!(store.load().unwrap().last_seq, acknowledged);
    store.write(&[event(acknowledged + 1, START)]).unwrap();
}

// ---------------------------------------------------------------- flushed

fn journal(json: &str) -> Write {
    Write::Fact { of: Of::Valve, id: "south-drip".into(), json: json.into(), wall: START }
}

/// Polls as the service does: woken by the writer.
fn outcome(writer: &Writer, flush: tarewell::store::Flush) -> bool {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_time().build().unwrap();
    runtime.block_on(async {
        loop {
            if let Some(ok) = writer.flushed(flush) {
                return ok;
            }
            tokio::time::timeout(LONG, writer.progress()).await.expect("nobody was woken");
        }
    })
}

#[test]
fn what_is_flushed_is_on_the_disk_with_all_before_it() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("store.db");
    let writer = Writer::start(Store::open(&path).unwrap(), |_| {}).unwrap();
    // A weight alone would wait for company.
    writer.send(vec![weight("leek-1", START, 3100.0)]);
    let flush = writer.flush(vec![journal("planned")]);
    assert!(outcome(&writer, flush));
    assert!(writer.written() >= flush.number());
    // As a power cut would find it: the files as they are, and nothing closed.
    let after = tempfile::tempdir().unwrap();
    for end in ["", "-wal"] {
        let name = format!("store.db{end}");
        std::fs::copy(folder.path().join(&name), after.path().join(&name)).unwrap();
    }
    let found = Store::open(&after.path().join("store.db")).unwrap();
    let facts = found.load().unwrap().facts;
    assert_eq!((facts[0].of, facts[0].json.as_str()), (Of::Valve, "planned"));
    assert_eq!(found.history("leek-1", None, None, 10).unwrap().len(), 1);
    // An empty one is written too.
    assert!(outcome(&writer, writer.flush(Vec::new())));
    assert!(writer.close(LONG));
}

#[test]
fn what_cannot_be_flushed_is_told_at_once_and_tried_again_when_asked() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("store.db");
    let store = Store::open(&path).unwrap();
    let other = Connection::open(&path).unwrap();
    other.execute_batch("BEGIN IMMEDIATE").unwrap();
    let (tell, told) = mpsc::channel();
    let writer = Writer::start(store, move |report| tell.send(report).unwrap()).unwrap();
    for _ in 0..3 {
        // Each is tried, whatever pause the writer was in, and so each is answered soon.
        let asked = std::time::Instant::now();
        let flush = writer.flush(vec![journal("planned")]);
        assert!(!outcome(&writer, flush));
        assert!(asked.elapsed() < Duration::from_secs(3), "{:?}", asked.elapsed());
    }
    assert!(matches!(told.recv_timeout(LONG).unwrap(), Report::Failing(_)));
    let failed = writer.flush(vec![journal("never opened")]);
    assert!(!outcome(&writer, failed));
    other.execute_batch("ROLLBACK").unwrap();
    let flush = writer.flush(vec![journal("planned again")]);
    assert!(outcome(&writer, flush));
    assert_eq!(writer.flushed(failed), Some(false), "an answer once given holds");
    assert_eq!(told.recv_timeout(LONG).unwrap(), Report::Recovered);
    assert!(writer.close(LONG));
    assert_eq!(Store::open(&path).unwrap().load().unwrap().facts[0].json, "planned again");
}

#[test]
fn a_store_that_was_deleted_is_missed_until_that_very_file_is_back() {
    let folder = tempfile::tempdir().unwrap();
    let (path, aside) = (folder.path().join("store.db"), folder.path().join("aside.db"));
    let store = Store::open(&path).unwrap();
    assert!(store.is_new());
    let (tell, told) = mpsc::channel();
    let writer = Writer::start(store, move |report| tell.send(report).unwrap()).unwrap();
    assert!(outcome(&writer, writer.flush(vec![journal("before")])));
    std::fs::rename(&path, &aside).unwrap();
    assert!(!outcome(&writer, writer.flush(Vec::new())), "nothing is opened by a store that nobody will find");
    let Report::Failing(why) = told.recv_timeout(LONG).unwrap() else { panic!("not failing") };
    assert!(why.contains("store.db was deleted, moved or replaced"), "{why}");
    std::fs::write(&path, "").unwrap();
    assert!(!outcome(&writer, writer.flush(vec![journal("meanwhile")])), "another file is not it");
    std::fs::rename(&aside, &path).unwrap();
    assert!(outcome(&writer, writer.flush(Vec::new())));
    assert_eq!(told.recv_timeout(LONG).unwrap(), Report::Recovered);
    assert!(writer.close(LONG));
    let again = Store::open(&path).unwrap();
    assert_eq!((again.load().unwrap().facts[0].json.as_str(), again.is_new()), ("meanwhile", false));
}

#[test]
fn what_can_never_be_written_is_not_flushed() {
    let writer = Writer::start(Store::in_memory().unwrap(), |_| {}).unwrap();
    let unkeepable =
        Write::Weight { flat: "leek-1".into(), wall: START, weight: Grams::default() / 0.0, fraction: None };
    assert!(!outcome(&writer, writer.flush(vec![journal("planned"), unkeepable])));
    assert!(outcome(&writer, writer.flush(vec![journal("planned")])));
    assert!(writer.close(LONG));
}
