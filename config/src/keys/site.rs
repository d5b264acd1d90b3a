//! What stands in the file once: the site, its ledger, its page.

use super::Absent::{Default, Means};
use super::Form::{Choice, Number, Section, Text, Time, Whole};
use super::{Group, key, within};

pub(crate) const SITE: Group = Group {
    header: "[site]",
    what: "The site that this box looks after.",
    keys: &[
        key("name", Text("any text"), Default("Site"), "The site's name, as people write it."),
        key(
            "time_zone",
            Text("a name of the IANA time zone database, such as `Europe/Berlin`"),
            Default("UTC"),
            "The site's time zone; days close at its midnight.",
        ),
        key(
            "units",
            Choice(&["metric", "us"]),
            Default("metric"),
            "Units on the page and in the report: kg, t, m, or lb, US ton, ft. The store, JSON and this file stay metric.",
        ),
        key(
            "language",
            Choice(&["en", "de"]),
            Default("en"),
            "Language of the page and of the printed report, with the decimal sign of that language. Shell, JSON, exports, \
             messages and this file stay English, with points.",
        ),
    ],
};

pub(crate) const STORE: Group = Group {
    header: "[store]",
    what: "Where and how the ledger is kept.",
    keys: &[
        key(
            "directory",
            Text("a path; a relative one is taken from this file's directory"),
            Default("data"),
            "Directory of the store.",
        ),
        key(
            "commit_every",
            Time(within(1.0, 3600.0, "")),
            Default("30s"),
            "How long a mechanism may run without a commit: what a power cut can cost. Less than that waits for the end \
             of the lift, but not beyond five times this long, nor an hour.",
        ),
        key(
            "backup",
            Text("a path, or `none` for no copies; a relative one is taken from the store's directory"),
            Default("backup"),
            "Where a verified copy of the ledger is put every day; another disk is better. A damaged ledger is replaced by \
             the newest good copy.",
        ),
        key(
            "backup_keep",
            Whole(within(1.0, 100.0, "copies")),
            Default("3"),
            "How many copies are kept; the directory needs room for one more.",
        ),
        key("samples", Section, Means("raw samples are not kept"), "Keeps the raw samples as well, as a ring."),
        key(
            "budget",
            Section,
            Means("nothing is given up"),
            "What the store may take; beyond it the finest detail goes first.",
        ),
    ],
};

pub(crate) const BUDGET: Group = Group {
    header: "[store.budget]",
    what: "What ledger and raw samples may take together, copies apart. Beyond it the oldest raw samples go first, then \
           messages of lifts that every destination has got, then lifts, then the days' histograms; never the daily sums \
           nor the chain. What was given up is said. Also written in one line, `budget = { megabytes = 1500 }`.",
    keys: &[
        key("megabytes", Whole(within(10.0, 1e6, "MB (10⁶ bytes)")), Default("1500"), "Disk space used at most."),
        key(
            "whole_days",
            Whole(within(31.0, 36500.0, "days")),
            Default("400"),
            "Days of whose ledger nothing is given up.",
        ),
    ],
};

pub(crate) const SAMPLES: Group = Group {
    header: "[store.samples]",
    what: "Bounds of the ring of raw samples; whichever is reached first. Also written in one line, \
           `samples = { days = 14, megabytes = 500 }`.",
    keys: &[
        key("days", Whole(within(1.0, 3650.0, "days")), Default("14"), "Days kept."),
        key("megabytes", Whole(within(1.0, 1e6, "MB (10⁶ bytes)")), Default("500"), "Disk space used at most."),
    ],
};

pub(crate) const PAGE: Group = Group {
    header: "[page]",
    what: "The page that the daemon serves.",
    keys: &[
        key(
            "listen",
            Text(
                "an address and port, `127.0.0.1:PORT` or `[::1]:PORT`; port 0 takes any free one; another than a \
                 loopback address needs `users_file`, and `certificate_file` or `proxy`",
            ),
            Default("127.0.0.1:8420"),
            "Where the page listens.",
        ),
        key(
            "users_file",
            Text("a path that the daemon can read"),
            Means("there are no users: who reaches the page reads it, and changes are taken from the box itself only"),
            "The named users; `tallyhook user add` writes the file. With it nobody sees a figure without logging in.",
        ),
        key(
            "certificate_file",
            Text("a file; needs `key_file`"),
            Means("the page speaks no TLS"),
            "PEM file of the page's certificate with its chain.",
        ),
        key(
            "key_file",
            Text("a file; needs `certificate_file`"),
            Means("the page speaks no TLS"),
            "PEM file of that certificate's key.",
        ),
        key(
            "proxy",
            Text("an address without a port; needs `users_file`"),
            Means("whoever reaches the port may call"),
            "The one address that may call: that of a proxy which speaks TLS with the readers, hands on the Host that \
             they asked for, and writes the reader's address at the end of `X-Forwarded-For`.",
        ),
    ],
};

pub(crate) const ALARMS: Group = Group {
    header: "[alarms]",
    what: "How chat is told of warnings and findings, reminded of what nobody has acknowledged, and told of the week.",
    keys: &[
        key(
            "remind_every",
            Time(within(0.0, 2_592_000.0, "")),
            Default("24h"),
            "A warning that nobody has acknowledged is told again after this time, and so on; 0s never.",
        ),
        key(
            "quiet_from",
            Number(within(0.0, 24.0, "h")),
            Means("no quiet hours"),
            "From this hour of the site's day on chat is quiet: nobody is reminded, and see `quiet_holds`. Needs `quiet_to`.",
        ),
        key(
            "quiet_to",
            Number(within(0.0, 24.0, "h")),
            Means("no quiet hours"),
            "Until this hour; may be past midnight.",
        ),
        key(
            "quiet_holds",
            Choice(&["nothing", "ordinary", "everything"]),
            Default("ordinary"),
            "What chat is not told before the quiet hours are over. `ordinary` is all but what matters for life and limb: a \
             load above the rated load, a working period or a part that is used up. `everything` holds that back too. \
             Nothing is lost by it, and broker and time-series server are told at once.",
        ),
        key(
            "group_from",
            Whole(within(0.0, 64.0, "messages")),
            Default("10"),
            "When so many wait for a chat they are told in one message, which lists each of them; 0 and 1 never.",
        ),
        key(
            "digest_day",
            Choice(&["never", "monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"]),
            Default("never"),
            "On this day chat is told of the week: hours, lifts, used share and what it changed by, expected end, open \
             warnings.",
        ),
        key("digest_hour", Number(within(0.0, 23.75, "h")), Default("7"), "At this hour of the site's day."),
    ],
};

pub(crate) const OUTBOX: Group = Group {
    header: "[outbox]",
    what: "How long lifts and days are kept for destinations that are away. What is dropped here was counted long ago and \
           stays in the ledger; warnings and findings are never dropped.",
    keys: &[
        key(
            "keep_days",
            Whole(within(1.0, 36_500.0, "d")),
            Default("400"),
            "A message of a lift or day is kept so long, told or not: the longest outage that costs no destination any.",
        ),
        key(
            "max_mb",
            Whole(within(1.0, 1_000_000.0, "MB")),
            Default("512"),
            "Room of these messages on the disk; beyond it the oldest are dropped first.",
        ),
    ],
};
