//! Who is told what, and when: the teller, stepped through time by hand.

use chrono::{DateTime, NaiveTime};
use tarewell::alert::{Kind, Severity};
use tarewell::moment::{Moment, Mono, Span, Wall, Zone};
use tarewell::notify::{Facts, Letter, Phone, Post, Purpose, Secret, Teller};
use tarewell::site::{Message, Subject};

pub fn phone(name: &str) -> Phone {
    Phone {
        name: name.into(),
        url: Secret::new("https://push.example.net/s3cret"),
        headers: vec![],
        body: None,
        least: Severity::Notice,
        quiet: None,
        digest: None,
        repeat: None,
        heartbeat: None,
    }
}

pub fn wall(text: &str) -> Wall {
    Wall::from_millis(DateTime::parse_from_rfc3339(text).unwrap().timestamp_millis())
}

pub fn rise(kind: Kind, severity: Severity, id: &str, since: Wall) -> Message {
    let title = format!("{id} {}", kind.name());
    Message {
        kind,
        subject: Subject::Flat(0),
        severity,
        raised: true,
        text: format!("{title}, text"),
        title,
        since,
        shelved: false,
    }
}

pub fn end(kind: Kind, severity: Severity, id: &str, since: Wall) -> Message {
    Message { raised: false, title: format!("{id} not {}", kind.name()), ..rise(kind, severity, id, since) }
}

fn quiet(from: u32, to: u32) -> Option<(NaiveTime, NaiveTime)> {
    let at = |hour| NaiveTime::from_hms_opt(hour, 0, 0).unwrap();
    Some((at(from), at(to)))
}

/// A teller and the time it is.
struct Bench {
    teller: Teller,
    now: Moment,
}

impl Bench {
    fn at(text: &str, phones: Vec<Phone>) -> Self {
        Self { teller: Teller::new(phones, Zone::UTC), now: Moment::recorded(wall(text)) }
    }

    fn one(phone: Phone) -> Self {
        Self::at("2026-03-04T12:00:00Z", vec![phone])
    }

    fn rise(&mut self, severity: Severity, id: &str) -> Wall {
        self.teller.heard(&rise(Kind::Dry, severity, id, self.now.wall), id, self.now);
        self.now.wall
    }

    fn end(&mut self, id: &str, since: Wall) {
        self.teller.heard(&end(Kind::Dry, Severity::Warning, id, since), id, self.now);
    }

    fn pass(&mut self, span: Span) {
        self.now = self.now.after(span);
    }

    /// Goes on from wake to wake for so long; every post is answered at once by `answer`. What was posted, and when.
    fn run(&mut self, span: Span, mut answer: impl FnMut(&Post) -> bool) -> Vec<(Wall, Post)> {
        let end = self.now.mono + span;
        let mut posts = Vec::new();
        loop {
            for post in self.teller.tick(self.now) {
                self.teller.result(post.id, answer(&post), self.now);
                posts.push((self.now.wall, post));
            }
            match self.teller.next_wake(self.now) {
                Some(wake) if wake <= end => {
                    assert!(wake > self.now.mono, "it wants to be woken at once again, for nothing");
                    self.now = self.now.after(wake.since(self.now.mono));
                }
                _ => break,
            }
        }
        self.now = self.now.after(end.since(self.now.mono));
        posts
    }

    /// The titles posted within so long, all taken.
    fn titles(&mut self, span: Span) -> Vec<String> {
        titles(&self.run(span, |_| true))
    }

    /// As after a restart of the process, an hour later, with another origin of the monotonic clock.
    fn restarted(mut self) -> Self {
        let phones: Vec<_> = self.teller.phones().cloned().collect();
        let facts = self.teller.facts(self.now).unwrap();
        let kept = serde_json::to_string(&facts).unwrap();
        let facts: Facts = serde_json::from_str(&kept).unwrap();
        let now = Moment { mono: Mono::from_millis(5), wall: self.now.wall + Span::hours(1) };
        let mut teller = Teller::new(phones, Zone::UTC);
        teller.restore(facts, now);
        Self { teller, now }
    }
}

fn letter(post: &Post) -> Option<&Letter> {
    match &post.what {
        Purpose::Letter(letter) => Some(letter),
        Purpose::Heartbeat => None,
    }
}

fn titles(posts: &[(Wall, Post)]) -> Vec<String> {
    posts.iter().filter_map(|(_, post)| letter(post)).map(|letter| letter.title.clone()).collect()
}

#[test]
fn a_rise_and_its_end_are_told_once_each() {
    let mut bench = Bench::one(phone("pocket"));
    let since = bench.rise(Severity::Warning, "leek-1");
    let posts = bench.run(Span::minutes(10), |_| true);
    assert_eq!(titles(&posts), ["leek-1 dry"]);
    assert_eq!(letter(&posts[0].1).unwrap().text, "leek-1 dry, text");
    assert!(posts[0].0.since(since) <= Span::seconds(5), "soon");
    // The same rise again, its stamp cut to seconds by a store.
    bench.teller.heard(
        &rise(Kind::Dry, Severity::Warning, "leek-1", since - Span::from_millis(900)),
        "leek-1",
        bench.now,
    );
    assert!(bench.titles(Span::days(3)).is_empty());
    bench.end("leek-1", since);
    assert_eq!(bench.titles(Span::days(3)), ["Over: leek-1 not dry"]);
    bench.rise(Severity::Warning, "leek-1");
    assert_eq!(bench.titles(Span::days(3)), ["leek-1 dry"]);
}

#[test]
fn what_is_over_before_anybody_was_told_is_not_told() {
    let mut bench = Bench::one(phone("pocket"));
    let since = bench.rise(Severity::Warning, "leek-1");
    bench.end("leek-1", since);
    assert!(bench.titles(Span::days(1)).is_empty());
    bench.end("leek-2", since);
    assert!(bench.titles(Span::days(1)).is_empty());
}

#[test]
fn a_rise_that_becomes_graver_is_told_again_and_one_that_becomes_lighter_is_not() {
    let mut bench =
        Bench::at("2026-03-04T12:00:00Z", vec![phone("pocket"), Phone { least: Severity::Critical, ..phone("boss") }]);
    let since = bench.rise(Severity::Warning, "leek-1");
    let to = |posts: &[(Wall, Post)]| posts.iter().map(|(_, post)| post.phone).collect::<Vec<_>>();
    assert_eq!(to(&bench.run(Span::hours(1), |_| true)), [0]);
    let graver = rise(Kind::Dry, Severity::Critical, "leek-1", since);
    bench.teller.heard(&graver, "leek-1", bench.now);
    assert_eq!(to(&bench.run(Span::hours(1), |_| true)), [0, 1]);
    bench.teller.heard(&rise(Kind::Dry, Severity::Warning, "leek-1", since), "leek-1", bench.now);
    bench.teller.heard(&graver, "leek-1", bench.now);
    assert!(bench.run(Span::hours(1), |_| true).is_empty());
    bench.end("leek-1", since);
    assert_eq!(to(&bench.run(Span::hours(1), |_| true)), [0, 1]);
}

#[test]
fn flats_that_go_dry_together_fill_few_messages() {
    let mut bench = Bench::one(phone("pocket"));
    let mut posts = Vec::new();
    for n in 0..20 {
        bench.rise(Severity::Warning, &format!("leek-{n}"));
        posts.extend(bench.run(Span::seconds(1), |_| true));
    }
    posts.extend(bench.run(Span::minutes(5), |_| true));
    assert_eq!(posts.len(), 2, "{posts:?}");
    let text = posts.iter().map(|(_, post)| letter(post).unwrap().text.as_str()).collect::<Vec<_>>().join("\n");
    for n in 0..20 {
        assert_eq!(text.matches(&format!("leek-{n} dry,")).count(), 1, "{text}");
    }
    assert_eq!(titles(&posts)[1], "Dry (17)");
}

#[test]
fn a_critical_one_does_not_wait_for_the_spacing() {
    let mut bench = Bench::one(phone("pocket"));
    bench.rise(Severity::Warning, "leek-1");
    assert_eq!(bench.titles(Span::seconds(5)).len(), 1);
    bench.rise(Severity::Critical, "leek-2");
    assert_eq!(bench.titles(Span::seconds(5)), ["leek-2 dry"]);
}

#[test]
fn in_quiet_hours_only_critical_ones_are_told_and_the_rest_at_their_end_if_still_so() {
    let mut bench = Bench::at("2026-03-04T21:00:00Z", vec![Phone { quiet: quiet(22, 7), ..phone("pocket") }]);
    let told_before = bench.rise(Severity::Warning, "leek-0");
    assert_eq!(bench.titles(Span::hours(2)), ["leek-0 dry"]);
    bench.rise(Severity::Warning, "leek-1");
    let over = bench.rise(Severity::Notice, "leek-2");
    bench.rise(Severity::Critical, "leek-3");
    let posts = bench.run(Span::hours(1), |_| true);
    assert_eq!(titles(&posts), ["leek-3 dry"]);
    bench.end("leek-2", over);
    bench.end("leek-0", told_before);
    let posts = bench.run(Span::hours(12), |_| true);
    assert_eq!(titles(&posts), ["Dry; over: dry"], "leek-2 is told neither as dry nor as over");
    let (at, post) = &posts[0];
    let after_seven = at.since(wall("2026-03-05T07:00:00Z"));
    assert!(after_seven >= Span::ZERO && after_seven <= Span::seconds(5), "{post:?}");
    assert_eq!(letter(post).unwrap().text, "leek-1 dry\nleek-1 dry, text\n\nOver: leek-0 not dry\nleek-0 dry, text");
}

#[test]
fn what_becomes_critical_in_quiet_hours_is_told_then() {
    let mut bench = Bench::at("2026-03-04T23:00:00Z", vec![Phone { quiet: quiet(22, 7), ..phone("pocket") }]);
    let since = bench.rise(Severity::Warning, "leek-1");
    assert!(bench.titles(Span::hours(1)).is_empty());
    bench.teller.heard(&rise(Kind::Dry, Severity::Critical, "leek-1", since), "leek-1", bench.now);
    assert_eq!(bench.titles(Span::minutes(1)), ["leek-1 dry"]);
    assert!(bench.titles(Span::hours(12)).is_empty());
}

#[test]
fn quiet_hours_rest_while_the_clock_is_not_set() {
    let mut bench = Bench::at("1970-01-01T23:00:00Z", vec![Phone { quiet: quiet(22, 7), ..phone("pocket") }]);
    bench.teller.clock_set(false);
    bench.rise(Severity::Warning, "leek-1");
    assert_eq!(bench.titles(Span::minutes(1)), ["leek-1 dry"]);
    bench.teller.clock_set(true);
    bench.rise(Severity::Warning, "leek-2");
    assert!(bench.titles(Span::hours(1)).is_empty());
    // The clock is set, and it is day: what waited goes at once.
    bench.now.wall = wall("2026-03-04T12:00:00Z");
    assert_eq!(bench.titles(Span::minutes(1)), ["leek-2 dry"]);
}

#[test]
fn an_alert_that_stays_is_told_again_as_often_as_wished() {
    let mut bench = Bench::one(Phone { repeat: Some(Span::hours(6)), quiet: quiet(22, 7), ..phone("pocket") });
    bench.rise(Severity::Warning, "leek-1");
    let posts = bench.run(Span::hours(20), |_| true);
    let hours: Vec<_> = posts.iter().map(|(at, _)| Zone::UTC.hour(*at).floor()).collect();
    assert_eq!(hours, [12.0, 18.0, 7.0], "the one of midnight waits for the morning");
    assert_eq!(titles(&posts), ["leek-1 dry", "Still: leek-1 dry", "Still: leek-1 dry"]);
}

#[test]
fn nothing_is_told_of_what_is_shelved() {
    let mut bench = Bench::one(Phone { repeat: Some(Span::hours(1)), ..phone("pocket") });
    let since = bench.rise(Severity::Warning, "leek-1");
    assert_eq!(bench.titles(Span::minutes(1)).len(), 1);
    let until = bench.now.mono + Span::hours(12);
    bench.teller.shelve("flat", "leek-1", Some(until));
    bench.teller.shelve("flat", "leek-2", Some(until));
    bench.rise(Severity::Critical, "leek-2");
    assert!(bench.titles(Span::hours(5)).is_empty());
    let mut bench = bench.restarted();
    bench.end("leek-1", since);
    assert!(bench.titles(Span::hours(5)).is_empty());
    assert_eq!(bench.titles(Span::hours(3)), ["leek-2 dry", "Still: leek-2 dry"]);
}

#[test]
fn a_failed_message_is_tried_again_with_growing_pauses_and_given_up_after_a_day() {
    let mut bench = Bench::one(phone("pocket"));
    bench.rise(Severity::Warning, "leek-1");
    let posts = bench.run(Span::hours(30), |_| false);
    let times: Vec<_> = posts.iter().map(|(at, _)| *at).collect();
    let pauses: Vec<_> = times.windows(2).map(|pair| pair[1].since(pair[0]).millis() / 1000).collect();
    assert_eq!(pauses[..11], [1, 2, 4, 8, 16, 32, 64, 128, 256, 300, 300]);
    let tried = times[times.len() - 1].since(times[0]);
    assert!(tried >= Span::hours(24) && tried < Span::hours(25), "{tried:?}");
    let id = posts[0].1.id;
    assert_eq!(bench.teller.result(id, true, bench.now), None, "an answer that comes twice changes nothing");
    bench.end("leek-1", bench.now.wall);
    assert!(bench.titles(Span::hours(1)).is_empty(), "nobody was told, so nobody is told that it is over");
}

#[test]
fn what_ends_while_it_cannot_be_told_is_given_up() {
    let mut bench = Bench::one(phone("pocket"));
    let since = bench.rise(Severity::Warning, "leek-1");
    assert!(bench.run(Span::hours(1), |_| false).len() > 10);
    bench.end("leek-1", since);
    assert!(bench.titles(Span::hours(1)).is_empty());
}

#[test]
fn what_changes_while_a_message_is_on_its_way_is_told_after_it() {
    let mut bench = Bench::one(phone("pocket"));
    let since = bench.rise(Severity::Warning, "leek-1");
    bench.pass(Span::seconds(5));
    let posts = bench.teller.tick(bench.now);
    assert!(bench.teller.tick(bench.now).is_empty(), "one at a time");
    bench.end("leek-1", since);
    assert_eq!(bench.teller.next_wake(bench.now), None);
    assert_eq!(bench.teller.result(posts[0].id, true, bench.now), None);
    assert_eq!(bench.titles(Span::minutes(1)), ["Over: leek-1 not dry"]);

    let since = bench.rise(Severity::Warning, "leek-1");
    bench.pass(Span::minutes(1));
    let posts = bench.teller.tick(bench.now);
    bench.end("leek-1", since);
    assert_eq!(bench.teller.result(posts[0].id, false, bench.now), Some("fails; is tried again"));
    assert!(bench.titles(Span::minutes(1)).is_empty());
}

#[test]
fn two_phones_fail_each_for_itself() {
    let mut bench = Bench::at("2026-03-04T12:00:00Z", vec![phone("lost"), phone("pocket")]);
    bench.rise(Severity::Warning, "leek-1");
    let posts = bench.run(Span::hours(1), |post| post.phone == 1);
    assert_eq!(posts.iter().filter(|(_, post)| post.phone == 1).count(), 1);
    assert!(posts.iter().filter(|(_, post)| post.phone == 0).count() > 10);
}

#[test]
fn nobody_is_told_twice_over_a_restart_and_nothing_is_left_untold() {
    let mut bench = Bench::at("2026-03-04T12:00:00Z", vec![phone("pocket"), phone("lost")]);
    let since = bench.rise(Severity::Warning, "leek-1");
    bench.run(Span::hours(1), |post| post.phone == 0);
    bench.rise(Severity::Warning, "leek-2");
    let mut bench = bench.restarted();
    bench.teller.heard(&rise(Kind::Dry, Severity::Warning, "leek-1", since), "leek-1", bench.now);
    let posts = bench.run(Span::hours(1), |_| true);
    let told: Vec<_> = posts.iter().map(|(_, post)| (post.phone, letter(post).unwrap().title.as_str())).collect();
    assert_eq!(told, [(0, "leek-2 dry"), (1, "Dry (2)")]);

    let mut bench = bench.restarted();
    bench.teller.keep_only(|_, _, id| id == "leek-1");
    bench.end("leek-1", since);
    let posts = bench.run(Span::hours(1), |_| true);
    assert_eq!(
        titles(&posts),
        ["Over: leek-1 not dry", "Over: leek-1 not dry"],
        "leek-2 is no longer known to anybody"
    );
    assert!(bench.teller.facts(bench.now).is_some());
    assert_eq!(bench.teller.facts(bench.now), None, "nothing has changed since");
}

#[test]
fn what_was_on_its_way_when_the_program_was_killed_is_told_once_more_and_so_is_its_end() {
    for over_by_then in [false, true] {
        let mut bench = Bench::one(phone("pocket"));
        let since = bench.rise(Severity::Warning, "leek-1");
        bench.pass(Span::seconds(5));
        assert_eq!(bench.teller.tick(bench.now).len(), 1);
        let mut bench = bench.restarted();
        if over_by_then {
            bench.end("leek-1", since);
            assert_eq!(bench.titles(Span::hours(1)), ["Over: leek-1 not dry"]);
            continue;
        }
        bench.teller.heard(&rise(Kind::Dry, Severity::Warning, "leek-1", since), "leek-1", bench.now);
        assert_eq!(bench.titles(Span::hours(1)), ["leek-1 dry"]);
        bench.end("leek-1", since);
        assert_eq!(bench.titles(Span::hours(1)), ["Over: leek-1 not dry"]);
    }
}

#[test]
fn repeats_go_on_over_a_restart() {
    let mut bench = Bench::one(Phone { repeat: Some(Span::hours(6)), ..phone("pocket") });
    bench.rise(Severity::Warning, "leek-1");
    assert_eq!(bench.titles(Span::hours(4)).len(), 1);
    let mut bench = bench.restarted();
    assert!(bench.titles(Span::minutes(50)).is_empty());
    assert_eq!(bench.titles(Span::minutes(15)), ["Still: leek-1 dry"]);
}

#[test]
fn the_heart_beats_while_the_engine_turns_and_only_then() {
    let every = Span::hours(1);
    let heartbeat = Some((Secret::new("https://beat.example.net/s3cret"), every));
    let mut bench = Bench::one(Phone { heartbeat, ..phone("pocket") });
    assert!(bench.run(Span::hours(2), |_| true).is_empty(), "it has not turned yet");
    let mut beats = 0;
    for _ in 0..(3 * 60 * 2 + 2) {
        bench.teller.turned(bench.now);
        let posts = bench.run(Span::seconds(30), |_| true);
        assert!(posts.iter().all(|(_, post)| post.what == Purpose::Heartbeat));
        beats += posts.len();
    }
    assert_eq!(beats, 4);
    assert!(bench.run(Span::hours(5), |_| true).is_empty(), "it stands");

    bench.teller.turned(bench.now);
    assert_eq!(bench.run(Span::from_millis(100), |_| false).len(), 1);
    bench.rise(Severity::Warning, "leek-1");
    bench.teller.turned(bench.now);
    let posts = bench.run(Span::seconds(20), |_| true);
    assert_eq!(posts.len(), 2, "a heart that fails holds up no message, and is tried again: {posts:?}");
}

#[test]
fn the_morning_list_is_sent_once_a_day_also_in_quiet_hours_and_over_restarts() {
    let seven = NaiveTime::from_hms_opt(7, 0, 0);
    let phone = Phone { digest: seven, quiet: quiet(22, 8), least: Severity::Critical, ..phone("pocket") };
    let mut bench = Bench::at("2026-03-04T06:59:00Z", vec![phone]);
    assert_eq!(bench.teller.wants_list(bench.now), None, "not before its time");
    bench.pass(Span::minutes(1));
    assert_eq!(bench.teller.wants_list(bench.now), Some(bench.now.wall));
    bench.teller.list("Today: water 2 of 3 flats".to_owned(), "Leeks".to_owned(), bench.now);
    assert_eq!(bench.teller.wants_list(bench.now), None, "it has the words");
    // The first attempts fail; it is tried again, and sent once.
    let mut tries = 0;
    let posts = bench.run(Span::minutes(30), |_| {
        tries += 1;
        tries > 2
    });
    assert_eq!((posts.len(), titles(&posts[2..])), (3, vec!["Today: water 2 of 3 flats".to_owned()]));
    let mut bench = bench.restarted();
    assert_eq!(bench.teller.wants_list(bench.now), None, "it was sent before the restart");
    bench.pass(Span::hours(23));
    assert!(bench.teller.wants_list(bench.now).is_some(), "the next morning");
    bench.teller.clock_set(false);
    assert_eq!(bench.teller.wants_list(bench.now), None, "who knows what morning it is");
    bench.teller.clock_set(true);
    bench.pass(Span::hours(3));
    assert_eq!(bench.teller.wants_list(bench.now), None, "the morning is over");
}

#[test]
fn a_morning_list_at_a_time_that_the_clocks_skip_or_show_twice_is_sent_once() {
    let half_past_one = NaiveTime::from_hms_opt(1, 30, 0);
    let phone = || Phone { digest: half_past_one, ..phone("pocket") };
    let zone = Zone::named("Europe/London").unwrap();
    // The night before clocks go on at 01:00 UTC, and the one before they go back at 01:00 UTC.
    for (evening, at) in
        [("2026-03-28T22:00:00Z", "2026-03-29T01:00:00Z"), ("2026-10-24T22:00:00Z", "2026-10-25T00:30:00Z")]
    {
        let mut bench = Bench::at(evening, vec![]);
        bench.teller = Teller::new(vec![phone()], zone);
        let mut sent = Vec::new();
        for _ in 0..6 * 60 {
            if bench.teller.wants_list(bench.now).is_some() {
                bench.teller.list("Today".to_owned(), "Leeks".to_owned(), bench.now);
            }
            sent.extend(bench.run(Span::minutes(1), |_| true).into_iter().map(|(at, _)| at));
        }
        assert_eq!(sent, [wall(at)], "from {evening}");
    }
}
