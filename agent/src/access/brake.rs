//! How wrong passwords are slowed down: the book of pauses. It is told the time and sleeps itself never.

use std::collections::HashMap;
use std::net::{IpAddr, Ipv6Addr};

use tallyhook_analysis::units::Span;

/// Wrong ones from one place before the first pause: a person mistypes.
const FREE: u32 = 3;

/// The first pause; each wrong one after it doubles it.
const FIRST: Span = Span::from_ms(1_000);

/// The longest pause.
const LONGEST: Span = Span::from_ms(15 * 60_000);

/// After this long without a wrong one a place is forgotten.
const FORGOTTEN: Span = Span::from_ms(60 * 60_000);

/// Places remembered at most; those beyond share one entry.
const MOST: usize = 1_024;

#[derive(Clone, Copy, Debug)]
struct Entry {
    wrong: u32,
    /// Refused in the present pause.
    unseen: u64,
    last: Span,
    /// When the one before the last was.
    before: Span,
    free_at: Span,
}

/// What becomes of a try.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Tried {
    /// The password is to be looked at; the try is booked as wrong until it turns out right.
    Look,
    /// Not now.
    Wait {
        /// How long the place has yet to wait.
        left: Span,
        /// Wrong ones so far.
        wrong: u32,
        /// The first that is refused in this pause.
        first: bool,
    },
}

/// Wrong passwords by the place that they came from. By place and not by user: otherwise anyone could lock the fitter
/// out by guessing at the fitter's name.
#[derive(Debug, Default)]
pub struct Brake {
    places: HashMap<IpAddr, Entry>,
}

impl Brake {
    /// A try from a place. It is booked before its password is looked at, so that many at once are no way around.
    pub fn try_from(&mut self, place: IpAddr, now: Span) -> Tried {
        let kept = |e: &Entry| now.as_ms() - e.last.as_ms() < FORGOTTEN.as_ms() || e.free_at > now;
        if self.places.len() >= MOST {
            self.places.retain(|_, e| kept(e));
        }
        let key = self.key(place);
        let entry =
            self.places.entry(key).or_insert(Entry { wrong: 0, unseen: 0, last: now, before: now, free_at: now });
        if entry.free_at > now {
            let left = Span::from_ms(entry.free_at.as_ms() - now.as_ms());
            entry.unseen += 1;
            return Tried::Wait { left, wrong: entry.wrong, first: entry.unseen == 1 };
        }
        if !kept(entry) {
            entry.wrong = 0;
        }
        entry.wrong = entry.wrong.saturating_add(1);
        entry.before = std::mem::replace(&mut entry.last, now);
        let doublings = entry.wrong.saturating_sub(FREE + 1).min(20);
        let pause = match entry.wrong > FREE {
            true => Span::from_ms((FIRST.as_ms() << doublings).min(LONGEST.as_ms())),
            false => Span::ZERO,
        };
        entry.free_at = now.plus(pause);
        Tried::Look
    }

    /// The try was wrong: how many were by now, and how many were refused since the last that was looked at.
    pub fn wrong(&mut self, place: IpAddr) -> (u32, u64) {
        let key = self.key(place);
        self.places.get_mut(&key).map_or((1, 0), |entry| (entry.wrong, std::mem::take(&mut entry.unseen)))
    }

    /// The password of the try at `at` was right: it counts no more, and what was wrong before still does. Otherwise
    /// whoever has a password could guess at another's for ever, with a log-in of their own after every third.
    pub fn right(&mut self, place: IpAddr, at: Span) {
        let key = self.key(place);
        let Some(entry) = self.places.get_mut(&key) else { return };
        entry.wrong = entry.wrong.saturating_sub(1);
        entry.unseen = 0;
        if entry.last == at {
            (entry.last, entry.free_at) = (entry.before, at);
        }
        if entry.wrong == 0 {
            self.places.remove(&key);
        }
    }

    /// Whoever has one address of IPv6 has the 2^64 beside it.
    fn key(&self, place: IpAddr) -> IpAddr {
        let place = match place.to_canonical() {
            IpAddr::V6(six) if !six.is_loopback() => {
                let [a, b, c, d, ..] = six.segments();
                IpAddr::V6(Ipv6Addr::new(a, b, c, d, 0, 0, 0, 0))
            }
            other => other,
        };
        match self.places.len() >= MOST && !self.places.contains_key(&place) {
            true => IpAddr::V6(Ipv6Addr::UNSPECIFIED),
            false => place,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn place(text: &str) -> IpAddr {
        text.parse().unwrap()
    }

    /// How long the place has to wait after a try that is looked at.
    fn pause(brake: &mut Brake, at: IpAddr, now: Span) -> i64 {
        assert_eq!(brake.try_from(at, now), Tried::Look);
        match brake.try_from(at, now) {
            Tried::Wait { left, first, .. } => {
                assert!(first);
                brake.wrong(at);
                left.as_ms() / 1000
            }
            Tried::Look => 0,
        }
    }

    #[test]
    fn pauses_double_up_to_a_quarter_of_an_hour_and_are_forgotten() {
        let mut brake = Brake::default();
        let here = place("192.0.2.7");
        let mut now = Span::ZERO;
        for _ in 0..3 {
            assert_eq!(brake.try_from(here, now), Tried::Look, "a person mistypes");
        }
        let mut pauses = Vec::new();
        for _ in 0..13 {
            let pause = pause(&mut brake, here, now);
            pauses.push(pause);
            now = now.plus(Span::from_ms(pause * 1000));
        }
        assert_eq!(pauses, [1, 2, 4, 8, 16, 32, 64, 128, 256, 512, 900, 900, 900]);
        assert_eq!(pause(&mut brake, here, now), 900);
        assert_eq!(brake.try_from(place("192.0.2.8"), now), Tried::Look, "another place is free");
        assert_ne!(brake.try_from(place("::ffff:192.0.2.7"), now), Tried::Look, "the same place in other writing");
        now = now.plus(FORGOTTEN).plus(Span::from_ms(1));
        for _ in 0..3 {
            assert_eq!(brake.try_from(here, now), Tried::Look);
        }
        assert_eq!(brake.places.len(), 2);
        for _ in 0..3 {
            brake.right(here, now);
        }
        assert_eq!(brake.places.len(), 1);
    }

    #[test]
    fn a_right_one_takes_back_itself_and_no_wrong_one() {
        let mut brake = Brake::default();
        let here = place("192.0.2.7");
        let second = |n: i64| Span::from_ms(n * 1000);
        for _ in 0..3 {
            assert_eq!(brake.try_from(here, Span::ZERO), Tried::Look);
        }
        // As often as one likes, and at once.
        for _ in 0..20 {
            assert_eq!(brake.try_from(here, second(1)), Tried::Look);
            brake.right(here, second(1));
        }
        assert_eq!(pause(&mut brake, here, second(1)), 1, "the fourth wrong one");
        assert_eq!(brake.try_from(here, second(2)), Tried::Look);
        brake.right(here, second(2));
        assert_eq!(pause(&mut brake, here, second(2)), 2, "the fifth");
        // One that turns out right late takes back no pause that came after it.
        assert_eq!(brake.try_from(here, second(4)), Tried::Look);
        assert_eq!(brake.try_from(here, second(8)), Tried::Look);
        brake.right(here, second(4));
        assert!(matches!(brake.try_from(here, second(15)), Tried::Wait { wrong: 6, .. }));
        // Nor does it keep a place in mind: an hour after the last wrong one it is forgotten.
        let later = second(8 + 3_599);
        assert_eq!(brake.try_from(here, later), Tried::Look);
        brake.right(here, later);
        for _ in 0..3 {
            assert_eq!(brake.try_from(here, second(8 + 3_601)), Tried::Look, "a person mistypes");
        }
    }

    #[test]
    fn a_network_of_addresses_is_one_place_and_the_book_stays_small() {
        let mut brake = Brake::default();
        for n in 0..4 {
            assert_eq!(brake.try_from(place(&format!("2001:db8::{n}")), Span::ZERO), Tried::Look);
        }
        assert_ne!(brake.try_from(place("2001:db8::ffff"), Span::ZERO), Tried::Look);
        for n in 0..50_000_u32 {
            brake.try_from(IpAddr::V4(n.into()), Span::ZERO);
        }
        assert!(brake.places.len() <= MOST + 1);
        assert_ne!(
            brake.try_from(place("203.0.113.9"), Span::ZERO),
            Tried::Look,
            "places beyond the book wait together"
        );
    }
}
