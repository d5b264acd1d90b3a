//! Reminders of warnings that nobody has acknowledged, outside quiet hours.

use serde_json::json;
use tallyhook_analysis::units::{Span, Timestamp};
use tallyhook_config::model::Alarms;

use crate::store::alarm::{ALARM, Alarm, AlarmState};
use crate::store::message::{Message, MessageKind};

/// Open alarms are looked at this often.
pub const LOOK_EVERY: Span = Span::from_ms(60_000);

/// The reminders that are due at an instant, with the number of the alarm they are of.
pub fn due(open: &[Alarm], set: &Alarms, zone: &jiff::tz::TimeZone, now: Timestamp) -> Vec<(u64, Message)> {
    if set.remind_every <= Span::ZERO || set.is_quiet(hour_of_day(zone, now)) {
        return Vec::new();
    }
    let is_due = |alarm: &&Alarm| {
        let waits = matches!(alarm.state(), AlarmState::Unacknowledged | AlarmState::ReturnedUnacknowledged);
        let since = alarm.reminded.map_or(alarm.last, |reminded| reminded.max(alarm.last));
        waits && !alarm.is_shelved(now) && now.since(since) >= set.remind_every
    };
    open.iter().filter(is_due).map(|alarm| (alarm.seq, reminder(alarm, now))).collect()
}

fn reminder(alarm: &Alarm, now: Timestamp) -> Message {
    Message {
        id: format!("alarm:{}:reminder:{}", alarm.seq, now.as_ms()),
        at: now,
        kind: MessageKind::Warning,
        crane: alarm.crane.clone(),
        mechanism: alarm.mechanism.clone(),
        body: json!({
            "quantity": ALARM,
            "alarm": alarm.seq,
            "what": alarm.what,
            "act": "reminder",
            "state": alarm.state(),
            "since": crate::figures::rfc3339(alarm.raised),
            "times": alarm.times,
            "raised": alarm.cleared.is_none(),
        }),
    }
}

/// The hour of the site's day, 0 to 24.
pub fn hour_of_day(zone: &jiff::tz::TimeZone, at: Timestamp) -> f64 {
    match jiff::Timestamp::from_millisecond(at.as_ms()) {
        Ok(time) => {
            let local = time.to_zoned_datetime(zone.clone());
            f64::from(local.hour()) + f64::from(local.minute()) / 60.0
        }
        Err(_) => 0.0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn alarm() -> Alarm {
        let raised = Timestamp::from_ms(1_772_409_600_000);
        Alarm {
            seq: 3,
            crane: "yard-1".to_owned(),
            mechanism: "main-hoist".to_owned(),
            what: "used_share:0.8".to_owned(),
            body: json!({}),
            raised,
            times: 1,
            last: raised,
            cleared: None,
            acknowledged: None,
            shelved: None,
            reminded: None,
        }
    }

    #[test]
    fn reminders_come_when_due_and_not_to_who_knows_sleeps_or_has_shelved_it() {
        let hours = |h: i64| Timestamp::from_ms(1_772_409_600_000 + h * 3_600_000);
        let set = Alarms { quiet: Some((22.0, 6.0)), ..Alarms::default() };
        let zone = jiff::tz::TimeZone::UTC;
        let count = |alarm: Alarm, now| due(&[alarm], &set, &zone, now).len();
        assert_eq!(count(alarm(), hours(23)), 0);
        assert_eq!(count(alarm(), hours(24)), 0, "it is midnight");
        assert_eq!(count(alarm(), hours(30)), 1);
        assert_eq!(count(Alarm { reminded: Some(hours(30)), ..alarm() }, hours(50)), 0);
        assert_eq!(count(Alarm { reminded: Some(hours(30)), ..alarm() }, hours(54)), 1);
        assert_eq!(count(Alarm { acknowledged: Some((hours(1), "R".into())), ..alarm() }, hours(30)), 0);
        assert_eq!(count(Alarm { cleared: Some(hours(1)), ..alarm() }, hours(30)), 1, "it came and went unseen");
        assert_eq!(count(Alarm { shelved: Some((hours(40), "R".into())), ..alarm() }, hours(30)), 0);
        assert_eq!(count(Alarm { shelved: Some((hours(40), "R".into())), ..alarm() }, hours(41)), 1);
        let never = Alarms { remind_every: Span::ZERO, ..Alarms::default() };
        assert!(due(&[alarm()], &never, &zone, hours(1000)).is_empty());
    }
}
