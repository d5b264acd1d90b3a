//! The figures as they were shown last: reckoned anew for a mechanism where something has followed. While it stands or
//! is not heard of, only the time moves on, which costs next to nothing.

use tallyhook_analysis::units::{MS_PER_HOUR, Span, Timestamp};
use tallyhook_config::model::{Config, Crane, Mechanism};

use super::book::Book;
use crate::figures::{self, CraneShare, MechanismFigures, SiteFigures, rfc3339};

/// What slides with the time alone (starts of the last hour, the year's use) is reckoned anew so often.
const AFRESH: Span = Span::from_ms(10_000);

/// The figures of a site's mechanisms, kept.
#[derive(Default)]
pub struct Shown {
    /// In the order of the books.
    kept: Vec<Kept>,
    revision: u64,
}

struct Kept {
    figures: MechanismFigures,
    share: CraneShare,
    since: (Option<Timestamp>, Option<Timestamp>),
    made: Span,
}

impl Shown {
    /// The figures now; `books` in the order of the configuration's mechanisms, `mono` of the clock that nobody sets.
    pub fn figures(&mut self, config: &Config, books: &mut [Book], mono: Span) -> SiteFigures {
        let mut books = books.iter_mut().enumerate();
        figures::of_site_with(config, |crane, mechanism| match books.next() {
            Some((index, book)) => self.of(index, crane, mechanism, book, mono),
            None => (figures::of_mechanism(&crane.id, mechanism, &figures::Record::default()), CraneShare::default()),
        })
    }

    fn of(
        &mut self,
        index: usize,
        crane: &Crane,
        mechanism: &Mechanism,
        book: &mut Book,
        mono: Span,
    ) -> (MechanismFigures, CraneShare) {
        let recorder = book.account().recorder();
        let since = (recorder.gap_since(), recorder.hanging_since());
        let totals = recorder.totals();
        let observed_hours = totals.observed_ms as f64 / MS_PER_HOUR as f64;
        let gaps = (totals.gap_ms as f64 / MS_PER_HOUR as f64, book.account().gaps().waiting_hours());
        let stirred = book.has_stirred();
        if let Some(kept) = self.kept.get_mut(index)
            && !stirred
            && kept.since == since
            && mono.as_ms() - kept.made.as_ms() < AFRESH.as_ms()
        {
            kept.figures.record_to = book.counted_to().map(rfc3339);
            kept.figures.observed_hours = observed_hours;
            (kept.figures.gap_hours, kept.figures.gap_waiting_hours) = gaps;
            return (kept.figures.clone(), kept.share);
        }
        let record = book.record();
        self.revision += 1;
        let figures =
            MechanismFigures { revision: self.revision, ..figures::of_mechanism(&crane.id, mechanism, &record) };
        let share = CraneShare::of(&record);
        let kept = Kept { figures: figures.clone(), share, since, made: mono };
        match self.kept.get_mut(index) {
            Some(place) => *place = kept,
            None => self.kept.push(kept),
        }
        (figures, share)
    }
}

#[cfg(test)]
mod tests {
    use tallyhook_analysis::sample::{Flag, Quantity, Sample};

    use super::super::book::SiteCalendar;
    use super::*;

    /// What may lag behind by [`AFRESH`].
    fn without_what_slides(mut figures: MechanismFigures) -> MechanismFigures {
        figures.revision = 0;
        figures.motor_duty.starts_last_hour = 0;
        figures
    }

    #[test]
    fn what_is_kept_is_what_would_be_reckoned_anew_through_lifts_gaps_and_midnight() {
        let text = tallyhook_config::starter(&tallyhook_config::StarterOptions::default());
        let config = tallyhook_config::load(&text, "site.toml").unwrap();
        let crane = &config.cranes[0];
        let mechanism = &crane.mechanisms[0];
        let mut books = vec![Book::open(crane, mechanism, SiteCalendar(config.time_zone.clone()), None)];
        let (mut shown, mut told, mut last) = (Shown::default(), Vec::new(), 0);
        // Three hours about a midnight of UTC, a sample a second; a lift every two minutes but in the third half hour,
        // and twice the drive says nothing.
        for second in 0..10_800_i64 {
            let mut sample = Sample::at(Timestamp::from_ms(1_772_403_600_000 + second * 1000));
            let (half_hour, at) = (second / 1800, second % 120);
            let works = half_hour != 2;
            let answers = !(4000..4100).contains(&second) && !(9000..9020).contains(&second);
            if answers {
                sample.set_flag(Flag::Raising, Some(works && (5..15).contains(&at)));
                sample.set_flag(Flag::Lowering, Some(works && (60..72).contains(&at)));
                sample.set(Quantity::Load, Some(if works && (6..70).contains(&at) { 3_000_000 } else { 0 }));
            }
            books[0].take(&sample);
            let now = shown.figures(&config, &mut books, Span::from_ms(second * 1000));
            let anew = figures::of_site(&config, |_| books[0].record());
            told.push(now.mechanisms[0].revision);
            last = now.mechanisms[0].lifts;
            let both =
                (without_what_slides(now.mechanisms[0].clone()), without_what_slides(anew.mechanisms[0].clone()));
            assert_eq!(both.0, both.1, "second {second}");
            assert_eq!(now.cranes[0].lifts, anew.cranes[0].lifts);
        }
        assert!(last > 60, "{last} lifts");
        told.dedup();
        // While it stands, one in ten.
        assert!((2_000..5_000).contains(&told.len()), "{} of 10,800 reckoned anew", told.len());
    }
}
