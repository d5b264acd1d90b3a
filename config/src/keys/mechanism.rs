//! Cranes, their mechanisms, and the signals of those.

use super::Absent::{Default, Fault, Means};
use super::Form::{
    Choice, Codes, Name, Number, Numbers, Ratio, Section, Sections, Text, Texts, Time, Whole, Words, YesNo,
};
use super::{Group, above, key, within};

pub(crate) const CRANE: Group = Group {
    header: "[[crane]]",
    what: "A crane with its mechanisms.",
    keys: &[
        key("id", Name, Fault, "Identifier, unique in the file; stays the same for ever."),
        key("name", Text("any text"), Means("its `id`"), "The crane's name, as people write it."),
        key(
            "group",
            Choice(&["A1", "A2", "A3", "A4", "A5", "A6", "A7", "A8"]),
            Fault,
            "Group of the appliance it was bought for, ISO 4301-1:1986.",
        ),
        key("design_life_years", Number(within(1.0, 100.0, "years")), Default("20"), "Design life."),
        key("mechanism", Sections, Fault, "A mechanism of the crane, a table `[[crane.mechanism]]` each."),
    ],
};

pub(crate) const MECHANISM: Group = Group {
    header: "[[crane.mechanism]]",
    what: "A hoist, a trolley's traverse or a bridge's travel; belongs to the `[[crane]]` above it.",
    keys: &[
        key("id", Name, Fault, "Identifier, unique in the file; stays the same for ever."),
        key("kind", Choice(&["hoist", "traverse", "travel"]), Default("hoist"), "What the mechanism moves."),
        key(
            "group",
            Choice(&[
                "M1", "M2", "M3", "M4", "M5", "M6", "M7", "M8", "1Dm", "1Cm", "1Bm", "1Am", "2m", "3m", "4m", "5m",
            ]),
            Fault,
            "Group it was bought for, by its name in ISO 4301-1:1986 (M1 to M8) or in FEM 9.511 (1Dm to 5m).",
        ),
        key("rated_load_kg", Number(above(0.0, 500_000.0, "kg")), Fault, "Rated load (safe working load)."),
        key(
            "dead_load_kg",
            Number(within(0.0, 500_000.0, "kg")),
            Default("0"),
            "Dead load of hook block and attachment that moves with every load; 0 leaves it out of the spectrum.",
        ),
        key(
            "load_signal",
            Choice(&["net", "gross"]),
            Default("net"),
            "Whether the load signal is the payload alone (net) or contains the dead load (gross).",
        ),
        key(
            "design_full_load_hours",
            Number(above(0.0, 1e6, "h")),
            Means("D of the group, FEM 9.755 table 1, row L4"),
            "The maker's own full-load hours D, where it gave some.",
        ),
        key("drive", Name, Means("the only drive of the file"), "Drive that the signals are read from."),
        key(
            "stale_after",
            Time(within(0.1, 3600.0, "")),
            Default("2s"),
            "How long a sample stands when no other follows; what is beyond it is a gap. Longer than `poll` of the \
             drives that tell directions and load.",
        ),
        key(
            "factor_scale",
            Choice(&["fem", "iso"]),
            Default("fem"),
            "Scale of the recording factors: fem is FEM 9.755, iso is ISO 12482:2014.",
        ),
        key(
            "design_spectrum",
            Choice(&["L1", "L2", "L3", "L4"]),
            Default("L2"),
            "Load spectrum class it was bought for, ISO 4301-1:1986; running time whose load is not known is booked at \
             its limit or at what was measured so far, whichever is worse.",
        ),
        key(
            "unread_spectrum_factor",
            Number(within(0.0, 2.0, "")),
            Means("the worse of the design class and what was measured so far"),
            "Load spectrum factor km that running time without a known load is booked at.",
        ),
        key(
            "budget_rated_load_kg",
            Number(above(0.0, 500_000.0, "kg")),
            Means("the rated load when the record began"),
            "Rated load that the full-load hours D are meant at, where the rating was lowered since; not below `rated_load_kg`. \
             From a recorded overhaul on it is the rated load of then.",
        ),
        key(
            "rated_speed_m_min",
            Number(above(0.0, 200.0, "m/min")),
            Means("the work of the brake is not reckoned"),
            "Speed of the hook at the motor's rated speed.",
        ),
        key(
            "abnormal_environment",
            YesNo,
            Default("false"),
            "The crane works in heat, corrosion, dust or the like: its service is severe (DOE-STD-1090-96).",
        ),
        key("reeving", Section, Means("no bending cycles are counted"), "How a lift bends the rope."),
        key("part", Sections, Means("no wearing parts"), "Wearing parts and inspections."),
        key(
            "profile",
            Text("a path; a relative one is taken from this file's directory"),
            Means("that of its drive"),
            "Register map of this mechanism, in place of its drive's.",
        ),
        key(
            "without",
            Words("list of signal names"),
            Means("all signals of the profile"),
            "Signals of the profile that this mechanism does not have.",
        ),
        key(
            "address_offset",
            Whole(within(0.0, 65_535.0, "")),
            Means("0"),
            "Added to every address of the profile, for a device that holds the same block once a mechanism.",
        ),
        key("signals", Section, Fault, "The signals; may be left out where a profile has them all."),
        key("load", Section, Means("all its defaults"), "Where the load comes from."),
        key("lift", Section, Means("all its defaults"), "Thresholds of the lift detection."),
        key("warn", Section, Means("all its defaults"), "Levels at which people are told."),
        key("prior", Sections, Means("no use before the recorder"), "Use before the recorder was installed."),
    ],
};

pub(crate) const SIGNALS: Group = Group {
    header: "[crane.mechanism.signals]",
    what: "Which register feeds which signal. A hoist needs `load_kg`; every mechanism needs `raising` or `lowering`. \
           Numbers are given in kg, %, m, h or starts once `scale`, `offset` and `unit` are applied.",
    keys: &[
        key(
            "load_kg",
            Section,
            Means("not read"),
            "Load on the hook, kg. A reading of more than ten times the rated load, up or down, is not believed and taken as not read.",
        ),
        key("torque_pct", Section, Means("not read"), "Motor torque, % of rated torque."),
        key("speed_pct", Section, Means("not read"), "Motor speed, % of rated speed."),
        key("height_m", Section, Means("not read"), "Hook height, m."),
        key("trolley_m", Section, Means("not read"), "Position of the trolley, m."),
        key("bridge_m", Section, Means("not read"), "Position of the bridge, m."),
        key("run_hours", Section, Means("not read"), "The drive's own hour counter, h."),
        key("starts", Section, Means("not read"), "The drive's own start counter."),
        key("raising", Section, Means("not read"), "The motor runs in the raising (or forward) direction."),
        key("lowering", Section, Means("not read"), "The motor runs in the lowering (or back) direction."),
        key("overload", Section, Means("not read"), "The panel's overload contact."),
        key("upper_limit", Section, Means("not read"), "Upper limit switch."),
        key("lower_limit", Section, Means("not read"), "Lower limit switch."),
        key("slack_rope", Section, Means("not read"), "Slack rope switch."),
        key("brake_open", Section, Means("not read"), "The brake is open."),
        key("fault", Section, Means("not read"), "The drive is at fault."),
    ],
};

pub(crate) const SIGNAL: Group = Group {
    header: "a signal",
    what: "The keys of one signal, written in one line: `load_kg = { table = \"holding\", address = 0 }`. The value of \
           a number is raw × `scale` + `offset`, in `unit`.",
    keys: &[
        key(
            "table",
            Choice(&["holding", "input", "coil", "discrete"]),
            Default("holding"),
            "Table of the Modbus data model. A coil or discrete input feeds a two-state signal only.",
        ),
        key(
            "address",
            Whole(within(0.0, 65_535.0, "")),
            Fault,
            "Protocol address; the first register is 0 (40001 of a manual that counts from 1).",
        ),
        key("address_offset", Whole(within(0.0, 65_535.0, "")), Default("0"), "Added to `address`."),
        key(
            "type",
            Choice(&[
                "u16", "i16", "u32", "i32", "u64", "i64", "f32", "f64", "bcd16", "bcd32", "bcd64", "sm16", "sm32",
                "bit",
            ]),
            Means("u16; for a two-state signal bit, with `match` or `texts` u16, with `above` or `below` i16"),
            "How the register is read: u unsigned, i signed in two's complement, f IEEE 754 float, bcd four bits a \
             decimal digit, sm highest bit the sign and the rest the magnitude; bit one bit of a word. 32 bits take \
             two registers, 64 bits four. Not for coils and discrete inputs.",
        ),
        key(
            "bit",
            Whole(within(0.0, 15.0, "")),
            Means("no bit"),
            "Which bit of the word, 0 the lowest; type bit only.",
        ),
        key(
            "word_order",
            Choice(&["high-first", "low-first"]),
            Default("high-first"),
            "Which word of a value of 32 or 64 bits has the lowest address; `check --live` shows both.",
        ),
        key(
            "byte_order",
            Choice(&["high-first", "low-first"]),
            Default("high-first"),
            "Which byte of each word comes first on the wire; high-first is the protocol's own.",
        ),
        key(
            "mask",
            Codes("whole number, such as 0x006F"),
            Means("all bits"),
            "Which bits of an unsigned type count. A number is those bits, shifted down; a two-state signal compares \
             them, unshifted, with `match`.",
        ),
        key(
            "match",
            Codes("whole number or list of them, such as 0x0027 or [3, 4]"),
            Means("any value but 0"),
            "The values under `mask` at which a two-state signal of an unsigned type is on.",
        ),
        key(
            "above",
            Ratio(within(-1e12, 1e12, "raw steps")),
            Means("not compared"),
            "A two-state signal is on while the raw number is above this: a direction from the sign of the speed.",
        ),
        key("below", Ratio(within(-1e12, 1e12, "raw steps")), Means("not compared"), "As `above`, while it is below."),
        key(
            "invalid",
            Codes("raw value or list of them; in hexadecimal the bits, otherwise the number read"),
            Means("every value counts; a float that is no number never does"),
            "Values by which the device says that it has none; they are taken as not read.",
        ),
        key(
            "texts",
            Texts("raw values and what they mean, `{ 0 = \"none\", 0x2310 = \"over-current\" }`"),
            Means("no words"),
            "What the values of a number or of `fault` mean in words. Makes a two-state signal of an unsigned type on \
             at any value but 0, unless `match` says otherwise.",
        ),
        key(
            "scale",
            Ratio(within(-1e9, 1e9, "unit per raw step, not 0")),
            Default("1"),
            "Factor on the raw value, taken exactly.",
        ),
        key("offset", Ratio(within(-1e9, 1e9, "unit")), Default("0"), "Added after the scale."),
        key(
            "unit",
            Choice(&["kg", "t", "daN", "kN", "%", "m", "mm", "cm", "h", "min", "s"]),
            Means("kg, %, m or h, as the signal's name says"),
            "Unit after scale and offset: loads kg, t, daN, kN or % of rated load; torque and speed %; positions m, \
             cm, mm; hours h, min, s; starts none.",
        ),
        key("inverted", YesNo, Default("false"), "The signal is on when the bit is off; two-state signals only."),
        key(
            "counter_bits",
            Whole(within(0.0, 64.0, "bits")),
            Means("what `type` holds; a float never begins again"),
            "After how many bits the drive's counter begins at zero again, where it is narrower than its register; 0 \
             for never. For `run_hours` and `starts` only.",
        ),
        key(
            "counter_step",
            Number(above(0.0, 1e6, "in `unit`")),
            Means("one raw step"),
            "By how much the counter moves at a time, where that is more than one raw step: 1 for one that shows \
             tenths of hours but moves by the hour. For `run_hours` and `starts` only.",
        ),
        key("drive", Name, Means("the mechanism's `drive`"), "Drive that this one signal is read from."),
    ],
};

pub(crate) const LOAD: Group = Group {
    header: "[crane.mechanism.load]",
    what: "Where the load comes from: from `load_kg`, or from the motor's torque or current (`torque_pct`) through the \
           points of a calibration. A torque tells the load only while the hoist turns steadily; \
           the lift's load is settled when the lift has ended, and all its running time is booked at it.",
    keys: &[
        key(
            "leads",
            Choice(&["load_kg", "torque_pct"]),
            Means("load_kg where there is one"),
            "Which of the two signals is booked where both are there.",
        ),
        key(
            "book",
            Choice(&["reading", "settled"]),
            Default("reading"),
            "What running time of a load signal is booked at: each moment's reading, or the settled load of its lift. A \
             torque is always booked settled.",
        ),
        key(
            "point",
            Sections,
            Means("not calibrated: a load taken from the torque is not known"),
            "A calibration point: a known weight and what the motor showed with it. At least two a direction; three or \
             more, the heaviest near the rated load, are better.",
        ),
        key(
            "min_speed_percent",
            Number(within(1.0, 100.0, "% of rated speed")),
            Default("20"),
            "Slowest speed at which a torque tells the load; needs the signal `speed_pct`.",
        ),
        key(
            "max_slope_percent_s",
            Number(above(0.0, 1000.0, "% of rated speed per second")),
            Default("20"),
            "Steepest change of speed at which a torque tells the load: beyond it the motor also turns its own mass.",
        ),
        key(
            "settle",
            Time(within(0.1, 30.0, "")),
            Means("300ms with `speed_pct`, 1.5s without"),
            "How long the hoist must have turned steadily before a torque tells the load; without `speed_pct` also how \
             long before a run's end it no longer does.",
        ),
        key(
            "correct_zero_percent",
            Number(within(0.3, 5.0, "% of rated load")),
            Means("not corrected: a drift is told of and booked as it is read"),
            "How far `load_kg` may be corrected for a slow drift of the empty hook since the record began. Each step of the \
             correction is told; a jump above 2 % of the rated load is never corrected, a smaller one cannot be told from a \
             drift and counts as one.",
        ),
        key(
            "uncertainty_percent",
            Number(within(0.1, 20.0, "% of rated load")),
            Means("1 for `load_kg`, 3 for `torque_pct`"),
            "Standard uncertainty of a load for its source. To it each lift adds, as squares, what its own readings tell: noise, \
             raising against lowering, a bend of the calibration, a zero that is off, a load that never settled. The \
             interval of the load spectrum factor and of the used share follows from twice that.",
        ),
        key(
            "hoisting_class",
            Choice(&["HC1", "HC2", "HC3", "HC4"]),
            Default("HC2"),
            "Hoisting class of EN 13001-2. A lift whose peak over settled load is above the factor φ2 of this class at the \
             rated speed is counted as taken up with a jerk (values from memory: check against the standard).",
        ),
        key(
            "jerk_factor",
            Number(above(1.0, 5.0, "")),
            Means("φ2 of the hoisting class"),
            "Peak over settled load above which a lift is counted as taken up with a jerk.",
        ),
    ],
};

pub(crate) const POINT: Group = Group {
    header: "[[crane.mechanism.load.point]]",
    what: "A calibration point. Also written in one line each, `point = [{ load_kg = 0, raising_pct = 12.1, lowering_pct = \
           -3.4 }]`.",
    keys: &[
        key(
            "load_kg",
            Number(within(0.0, 500_000.0, "kg")),
            Fault,
            "The known weight on the hook, without the dead load; 0 for the empty hook.",
        ),
        key(
            "raising_pct",
            Number(within(-1000.0, 1000.0, "%")),
            Means("not taken in this direction"),
            "`torque_pct` while raising it steadily.",
        ),
        key(
            "lowering_pct",
            Number(within(-1000.0, 1000.0, "%")),
            Means("not taken in this direction"),
            "`torque_pct` while lowering it steadily.",
        ),
    ],
};

pub(crate) const LIFT: Group = Group {
    header: "[crane.mechanism.lift]",
    what: "What counts as one lift. The defaults fit most hoists; replay a recording before you change them.",
    keys: &[
        key(
            "begin_percent",
            Number(above(0.0, 100.0, "% of rated load")),
            Default("5"),
            "A load at or above this is on the hook.",
        ),
        key(
            "end_percent",
            Number(above(0.0, 100.0, "% of rated load")),
            Default("3"),
            "A load below this is no longer on the hook; below `begin_percent`.",
        ),
        key(
            "confirm_load",
            Time(within(0.0, 60.0, "")),
            Default("500ms"),
            "How long a load must be on before it counts; shorter than `settle`.",
        ),
        key("confirm_empty", Time(within(0.0, 60.0, "")), Default("1s"), "How long it must be off to end the lift."),
        key(
            "settle",
            Time(within(0.0, 60.0, "")),
            Default("1.5s"),
            "Readings within this time of the take-up do not enter the settled load.",
        ),
        key(
            "bridge",
            Time(within(0.0, 86_400.0, "")),
            Default("10min"),
            "A silence up to this long with a like load before and after it is bridged by one lift.",
        ),
        key(
            "overload_margin_percent",
            Number(within(0.0, 25.0, "% of rated load")),
            Default("0.1"),
            "A settled load above rated by no more than this is not an overload.",
        ),
    ],
};

pub(crate) const WARN: Group = Group {
    header: "[crane.mechanism.warn]",
    what: "Levels at which people are told.",
    keys: &[
        key(
            "used_share",
            Numbers(above(0.0, 10.0, "S/D, 1 is all of it")),
            Default("[0.8, 0.9, 1.0]"),
            "Used share of the safe working period; `[]` tells of none.",
        ),
        key(
            "used_share_hysteresis",
            Number(within(0.0, 0.5, "S/D")),
            Default("0.01"),
            "How far the used share must fall below a level before that level can be told again; where it is zero, as after an \
             overhaul, it has fallen far enough.",
        ),
        key(
            "starts_per_hour",
            Numbers(above(0.0, 10_000.0, "starts in a sliding hour")),
            Default("[]"),
            "Starts of the motor; `[]` does not watch them.",
        ),
        key("overload", YesNo, Default("true"), "Tell of each lift whose settled load was above the rated load."),
    ],
};

pub(crate) const REEVING: Group = Group {
    header: "[crane.mechanism.reeving]",
    what: "How a lift bends the rope section that is bent most: a sheave is one bending cycle, on or off a drum a half.",
    keys: &[
        key("sheaves", Whole(within(0.0, 40.0, "sheaves")), Fault, "Sheaves that the section passes on its way."),
        key("drum", YesNo, Default("true"), "The section is wound on a drum."),
        key(
            "ways",
            Whole(within(1.0, 8.0, "ways")),
            Default("2"),
            "Ways of the hook in a lift: 2 for up and down with the load, 4 with the empty hook's ways counted too.",
        ),
    ],
};

pub(crate) const PART: Group = Group {
    header: "[[crane.mechanism.part]]",
    what: "A wearing part or an inspection with its limits; whichever comes first makes it due. `tallyhook service` \
           records that it was renewed or done.",
    keys: &[
        key("name", Name, Fault, "Its name, unique in the mechanism, for example rope, brake, hook-inspection."),
        key("running_hours", Whole(within(1.0, 1e6, "h")), Means("no such limit"), "Running hours."),
        key("lifts", Whole(within(1.0, 4e9, "lifts")), Means("no such limit"), "Lifts."),
        key("starts", Whole(within(1.0, 4e9, "starts")), Means("no such limit"), "Starts of the drive."),
        key("stops", Whole(within(1.0, 4e9, "stops")), Means("no such limit"), "Stops of the brake."),
        key(
            "bending_cycles",
            Whole(within(1.0, 4e9, "cycles")),
            Means("no such limit"),
            "Bending cycles of the rope; needs `reeving` with sheaves or a drum.",
        ),
        key(
            "full_load_bending_cycles",
            Whole(within(1.0, 4e9, "cycles")),
            Means("no such limit"),
            "Bending cycles weighted by the cube of the load; needs `reeving` with sheaves or a drum.",
        ),
        key(
            "brake_work_kj",
            Whole(within(1.0, 4e9, "kJ")),
            Means("no such limit"),
            "Work of the brake; needs `rated_speed_m_min` and the signal `speed_pct`.",
        ),
        key(
            "every",
            Choice(&["day", "week", "month", "quarter", "half-year", "year"]),
            Means("no such limit"),
            "Length of the calendar: week 7 d, month 31 d, quarter 92 d, half-year 184 d, year 365 d.",
        ),
    ],
};

pub(crate) const PRIOR: Group = Group {
    header: "[[crane.mechanism.prior]]",
    what: "A stretch of use before the recorder was installed; as many as there are.",
    keys: &[
        key("running_hours", Number(within(0.0, 1e6, "h")), Fault, "Running hours, hoisting and lowering."),
        key(
            "spectrum_factor",
            Number(within(0.0, 2.0, "")),
            Fault,
            "Load spectrum factor km of that time (cubic: 0.125 light to 1 very heavy; above 1 only with overload).",
        ),
        key(
            "recording",
            Choice(&[
                "recorder",
                "counter",
                "estimated",
                "documented-process",
                "documented-production",
                "undocumented",
                "unknown",
            ]),
            Fault,
            "How it was recorded. On the fem scale: recorder, counter, estimated; on the iso scale all but estimated.",
        ),
        key("lifts", Whole(within(0.0, 1e9, "lifts")), Default("0"), "Lifts in that time, for the crane's cycles."),
        key(
            "lifts_spectrum_factor",
            Number(within(0.0, 2.0, "")),
            Means("`spectrum_factor`: too small wherever the hook also runs empty, which km counts and Kp does not"),
            "Load spectrum factor Kp of those lifts: the mean cube of their loads over the rated load.",
        ),
        key("note", Text("any text"), Default(""), "A word on where the figures come from."),
    ],
};
