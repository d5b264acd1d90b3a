//! Weeks of two shifts in minutes: the whole daemon as a process of its own, over real sockets to four drives, a broker
//! and a time-series server, on the real disk. Only its clock is told to it (`agent/examples/told_time.rs`), and time
//! stands until each drive has been asked, so that a busy machine makes the soak slow and not wrong.
//!
//! Each night the drives are off; once a day the daemon is killed without a warning; broker and server are cut off for
//! hours; the clock is days off for three hours, and is set back by minutes for good. `TALLYHOOK_LONG=1` plays thirty
//! days, otherwise three. Not in it: the service manager and its watchdog, whose stories are in `tests/tests/stories/`.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::disallowed_methods, reason = "tests")]

mod drives;
mod ledger;
mod site;
mod work;

use std::time::Instant;

use site::{HOISTS, Held, Memory, Site};
use work::{CHANGE_MS, DAY_MS, HOUR_MS, OFF_MS};

/// The clock is this far off for three hours, and nobody believes it.
const FAR_OFF_MS: i64 = 2 * DAY_MS;
/// It is set back by this much, and that is right.
const SET_BACK_MS: i64 = -200_000;

/// What happens on a day, by its time.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
enum Event {
    BrokerAway,
    BrokerBack,
    ServerAway,
    ServerBack,
    Kill,
    ClockFarOff,
    ClockRight,
    ClockSetBack,
}

/// The events of the days, the earliest first.
fn events(days: i64) -> Vec<(i64, Event)> {
    let mut rng = fastrand::Rng::with_seed(30);
    let (far_off, set_back) = (days / 3, days * 2 / 3);
    let mut events = Vec::new();
    let minute = 60_000;
    for day in 0..days {
        let mut add = |at_ms: i64, what| events.push((day * DAY_MS + at_ms, what));
        let kill = if day % 3 == 1 {
            // At night, with the drives off.
            OFF_MS + rng.i64(1..7) * HOUR_MS
        } else if day == far_off || rng.bool() {
            rng.i64(70..7 * 60) * minute
        } else {
            rng.i64(9 * 60..15 * 60) * minute
        };
        add(kill, Event::Kill);
        if day == far_off {
            add(10 * HOUR_MS, Event::ClockFarOff);
            add(13 * HOUR_MS, Event::ClockRight);
        }
        if day == set_back {
            // While all rest.
            add((CHANGE_MS.0 + CHANGE_MS.1) / 2, Event::ClockSetBack);
        }
        // A day and a half at one time, else hours.
        let long = day == 10;
        match day % 2 {
            0 if !(days > 11 && day == 12) => {
                add(3 * HOUR_MS, Event::BrokerAway);
                add(if long { 39 } else { 9 } * HOUR_MS, Event::BrokerBack);
            }
            1 => {
                add(HOUR_MS + 30 * minute, Event::ServerAway);
                add(14 * HOUR_MS, Event::ServerBack);
            }
            _ => {}
        }
    }
    events.sort();
    events
}

fn happens(site: &mut Site, what: Event) {
    match what {
        Event::BrokerAway => site.broker.slam(),
        Event::BrokerBack => site.broker.open(),
        Event::ServerAway => site.server.slam(),
        Event::ServerBack => site.server.open(),
        Event::Kill => site.kill(12 * site.grain_ms),
        Event::ClockFarOff => site.wall_off_ms += FAR_OFF_MS,
        Event::ClockRight => site.wall_off_ms -= FAR_OFF_MS,
        Event::ClockSetBack => {
            site.wall_off_ms += SET_BACK_MS;
            site.set_back = Some((site.now_ms, SET_BACK_MS));
        }
    }
}

/// How much more a daemon may hold at its end than an hour after it had begun, whatever it has made up for: in thirty days,
/// and in three, where hardly a daemon finds a ledger that fills what its connections may keep.
const GROWTH: [f64; 2] = [1.1, 1.2];
/// How much more any daemon of the last third may hold at its end than the largest before it: nothing goes on growing.
const FLAT: f64 = 1.1;

#[test]
fn weeks_of_two_shifts_add_up_to_the_plan() {
    let long = std::env::var_os("TALLYHOOK_LONG").is_some();
    let (days, grain_ms) = if long { (30, 10_000) } else { (3, 60_000) };
    let begun = Instant::now();
    let mut site = Site::new(days, grain_ms);
    let mut events = events(days).into_iter().peekable();
    site.start();
    for day in 0..days {
        let (off, morning) = (day * DAY_MS + OFF_MS, (day + 1) * DAY_MS);
        while site.now_ms < morning {
            let night = site.now_ms >= off;
            site.step(if night { 60_000 } else { grain_ms });
            while let Some((_, what)) = events.next_if(|(at, _)| *at <= site.now_ms) {
                happens(&mut site, what);
            }
            if !night && site.now_ms >= off {
                site.drives.switch(false);
            }
            if site.now_ms % HOUR_MS == 0 {
                site.hear();
            }
        }
        site.drives.switch(true);
        site.until_asked();
    }
    let played = begun.elapsed();
    let told = ledger::told(&mut site);
    let exact = ledger::days(&site, days);
    site.stop();
    println!("{days} days of {HOISTS} drives in {played:.0?}; {told}; {exact} days of a hoist exact");
    println!("{}", ledger::holds(&site, days));
    println!("{}", ledger::size(&mut site, days));
    for bad in ["panicked", "ended unasked", "nothing goes on half-alive"] {
        assert!(!site.said.contains(bad), "{}", site.said);
    }
    assert_eq!((site.cut.len() as i64, site.held.len() as i64), (days, days + 1), "killed once a day, and never else");

    let lived: Vec<&Held> = site.held.iter().filter(|held| held.first.is_some()).collect();
    let megabytes = |memory: &Memory| format!("{:.1} ({:.1})", memory.resident as f64 / 1e6, memory.own as f64 / 1e6);
    let each: Vec<String> =
        lived.iter().map(|held| format!("{} to {}", megabytes(&held.first.unwrap()), megabytes(&held.end))).collect();
    println!("memory in MB, and of that its own, an hour after it had begun and at its end: {}", each.join(", "));
    for held in &lived {
        println!("by hour: {}", held.hours.iter().map(megabytes).collect::<Vec<_>>().join(" "));
    }
    let lived: Vec<(i64, i64)> = lived.iter().map(|held| (held.first.unwrap().resident, held.end.resident)).collect();
    for (first, end) in &lived {
        assert!(*end as f64 <= *first as f64 * GROWTH[usize::from(!long)], "memory grows: {each:?}");
    }
    let (before, after) = lived.split_at(lived.len() * 2 / 3);
    let most = |of: &[(i64, i64)]| of.iter().map(|(_, end)| *end).max().unwrap() as f64;
    assert!(most(after) <= most(before) * FLAT, "memory goes on growing: {each:?}");
}
