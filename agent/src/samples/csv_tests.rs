use proptest::prelude::*;

use super::super::testing::any_sample;
use super::*;

fn read(text: &str) -> Result<Vec<Sample>, String> {
    let source = CsvSamples::read(io::Cursor::new(text.as_bytes().to_vec()), Path::new("bad.csv"));
    source.and_then(Iterator::collect).map_err(|error| error.to_string())
}

/// Asserts that reading `text` fails at `place` with words of `says`.
fn refuses(text: &str, place: &str, says: &str) {
    let error = read(text).unwrap_err();
    assert!(error.starts_with(&format!("bad.csv:{place}: ")), "{error}");
    assert!(error.contains(says), "{error}");
}

#[test]
fn a_file_by_hand_is_read_with_what_was_not_read() {
    let rows = read("time,lowering,load_kg,raising\n0,0,2500,1\n0.1,,,\n0.2,1,0.001,0\n").unwrap();
    let summary: Vec<_> = rows
        .iter()
        .map(|s| (s.at.as_ms(), s.get(Quantity::Load), s.flag(Flag::Raising), s.flag(Flag::Lowering)))
        .collect();
    let expected = [
        (0, Some(2_500_000), Some(true), Some(false)),
        (100, None, None, None),
        (200, Some(1), Some(false), Some(true)),
    ];
    assert_eq!(summary, expected);
}

#[test]
fn times_and_flags_are_read_as_programs_write_numbers() {
    let rows = read("time,raising\n0.000000e+00,0.0\n1e-09,1.0\n2.5e-1,\n1e0,1\n").unwrap();
    let seen: Vec<_> = rows.iter().map(|s| (s.at.as_ms(), s.flag(Flag::Raising))).collect();
    assert_eq!(seen, [(0, Some(false)), (0, Some(true)), (250, None), (1000, Some(true))]);
    refuses("time,raising\n0,0.5\n", "2", "neither 0 nor 1");
    refuses("time,raising\n0,1.00\n", "2", "neither 0 nor 1");
}

#[test]
fn a_time_beyond_what_can_be_counted_is_said_to_be_that() {
    for time in [
        "9999-12-31T23:59:58Z",
        "9999-12-31T23:59:58+01:00",
        "1e18",
        "1e12",
        "253402207200.001",
        "-253402207201",
        "1000000000000000000",
        "-1e300",
    ] {
        refuses(
            &format!("time,raising\n{time},1\n"),
            "2",
            "beyond what can be counted: dates from -9999-01-02 to 9999",
        );
    }
    refuses("time,raising\n9999-13-31T23:59:58Z,1\n", "2", "neither a date");
    refuses("time,raising\nnan,1\n", "2", "neither a date");
}

#[test]
fn dates_keep_their_offset_and_their_milliseconds() {
    let rows = read("time,raising\n2031-05-04T06:00:00.123Z,1\n2031-05-04T08:00:00.124+02:00,1\n").unwrap();
    assert_eq!(rows[1].at.as_ms() - rows[0].at.as_ms(), 1);
    // 1,935,640,800 s: counted by hand from 1970, 61 years with 15 leap days, then 123 days and 6 hours.
    assert_eq!(rows[0].at.as_ms(), ((61 * 365 + 15 + 123) * 86_400 + 6 * 3600) * 1000 + 123);
}

#[test]
fn every_fault_names_its_line() {
    refuses("", "1", "empty");
    refuses("load_kg,raising\n1,0\n", "1", "`time`");
    refuses("time;load_kg;raising\n1;2;0\n", "1", "commas");
    let wide: String = "time,raising\n0,1\n".chars().flat_map(|c| [c, '\0']).collect();
    refuses(&wide, "1", "save the file as UTF-8");
    refuses("time,load_t,raising\n", "1", "load_t");
    refuses("time,raising,raising\n", "1", "twice");
    refuses("time,load_kg\n", "1", "neither `raising` nor `lowering`");
    refuses("time,load_kg,raising\n0,1,0\n1,abc,0\n", "3", "column load_kg");
    refuses("time,load_kg,raising\n0,1,0\n1,1,2\n", "3", "column raising");
    refuses("time,load_kg,raising\n0,1,0\n1,1\n", "3", "2 fields");
    refuses("time,raising\n5,1\n6,1\n4,1\n", "4", "goes back by 2 s; sort the rows");
    let leaps = "time,raising\n2026-05-04T06:00:00Z,1\n2062-05-04T06:00:01Z,1\n2026-05-04T06:00:02Z,1\n";
    refuses(leaps, "4", "put the date of the row before right");
    refuses("time,raising\n5,1\n2031-05-04T06:00:00Z,1\n", "3", "line 2 began with seconds");
    refuses("time,raising\n2031-05-04T06:00:00Z,1\n5,1\n", "3", "line 2 began with dates");
    refuses("time,raising\n2031-05-04T06:00:00,1\n", "2", "offset");
    refuses("time,raising\n,1\n", "2", "column time");
}

#[test]
fn lines_are_counted_as_an_editor_counts_them() {
    refuses("time,raising\r\n0,1\r\n1,x\r\n", "3", "`x`");
    refuses("time,raising\n\n\n0,1\n\n1,x\n", "6", "`x`");
    refuses("time,raising\r\n\r\n0,1\r\n\r\n1,x", "5", "`x`");
    refuses("\u{feff}time, raising\n0, 1\n1,x", "3", "`x`");
    assert_eq!(read("time,raising\n0,1\n\n\n").unwrap().len(), 1);
}

#[test]
fn nothing_comes_after_an_error() {
    let text = "time,raising\n0,x\n1,1\n";
    let mut rows = CsvSamples::read(io::Cursor::new(text.as_bytes().to_vec()), Path::new("f")).unwrap();
    assert!(rows.next().unwrap().is_err());
    assert!(rows.next().is_none());
}

#[test]
fn the_header_tells_the_recorder_which_directions_there_are() {
    use tallyhook_analysis::{recorder::Spec, units::Grams};
    let rows = CsvSamples::read(io::Cursor::new(b"time,lowering\n".to_vec()), Path::new("f")).unwrap();
    let mut spec = Spec::hoist(Grams::from_kg(1000.0));
    rows.signals().fit(&mut spec);
    assert_eq!((spec.has_raising, spec.has_lowering), (false, true));
    SignalSet::ALL.fit(&mut spec);
    assert_eq!((spec.has_raising, spec.has_lowering), (false, true), "a recording says nothing of it");
}

#[test]
fn a_direction_that_was_never_read_is_no_column() {
    let mut sample = Sample::at(Timestamp::from_ms(0));
    sample.set_flag(Flag::Raising, Some(true));
    let mut read = SignalSet::default();
    read.add_read(&sample);
    let columns = SignalSet::columns_for(read);
    assert!(columns.has_flag(Flag::Raising) && !columns.has_flag(Flag::Lowering) && columns.has(Quantity::Bridge));
    let none = SignalSet::columns_for(SignalSet::default());
    assert!(none.has_flag(Flag::Raising) && none.has_flag(Flag::Lowering));
}

proptest! {
    #[test]
    fn samples_written_and_read_are_the_same_to_the_bit(
        mut samples in proptest::collection::vec(any_sample(-60_000_000_000_000..200_000_000_000_000), 0..40)
    ) {
        samples.sort_by_key(|s| s.at);
        let columns = SignalSet::ALL;
        let mut text = Vec::new();
        write_header(&mut text, columns).unwrap();
        for sample in &samples {
            write_sample(&mut text, sample, columns).unwrap();
        }
        let back: Result<Vec<_>, _> = CsvSamples::read(io::Cursor::new(text), Path::new("f")).unwrap().collect();
        prop_assert_eq!(back.unwrap(), samples);
    }

    #[test]
    fn any_bytes_give_samples_or_an_error(bytes in proptest::collection::vec(any::<u8>(), 0..200)) {
        let mut text = b"time,load_kg,raising\n".to_vec();
        text.extend(bytes);
        if let Ok(rows) = CsvSamples::read(io::Cursor::new(text), Path::new("f")) {
            rows.for_each(drop);
        }
    }
}

#[test]
fn out_of_the_ordinary_rows_are_read_as_the_ordinary_ones() {
    let plain = "time,load_kg,raising\n2031-05-04T06:00:00.000Z,2500,1\n2031-05-04T06:00:00.100Z,,0\n";
    let wanted = read(plain).unwrap();
    for same in [
        plain.replace('\n', "\r\n"),
        plain.replace(',', " ,\t"),
        plain.replace("2500", "\"2500\""),
        plain.replace("load_kg", "\"load_kg\""),
        plain.replace('\n', "\n\n \n"),
        plain.replace("2500", "2.5e3"),
        plain.replace("2500", "+2499.9996"),
        plain.replace(".100Z", ".1Z"),
        plain.replace("06:00:00.100Z", "08:00:00.100+02:00"),
        plain.trim_end().to_owned(),
        format!("\u{feff}{plain}"),
    ] {
        assert_eq!(read(&same).unwrap(), wanted, "{same:?}");
    }
}

#[test]
fn a_line_after_a_quotation_mark_is_still_named_by_its_number() {
    refuses("time,load_kg,raising\n0,1,0\n1,\"1\",0\n2,x,0\n", "4", "column load_kg");
}

/// As a drive's program might write it: long, and in pieces that a read may end anywhere in.
#[test]
fn a_long_file_comes_whole_and_in_order_from_a_reader_that_gives_little() {
    struct Little(io::Cursor<Vec<u8>>);
    impl Read for Little {
        fn read(&mut self, to: &mut [u8]) -> io::Result<usize> {
            let some = 1 + self.0.position() as usize % 4099;
            let end = some.min(to.len());
            self.0.read(&mut to[..end])
        }
    }
    let mut text = String::from("time,load_kg,raising\n");
    (0..20_000).for_each(|i| text += &format!("{}.{},{}.5,{}\n", i / 10, i % 10, i * 7 % 9000, i % 2));
    let source = CsvSamples::read(Little(io::Cursor::new(text.clone().into_bytes())), Path::new("long.csv")).unwrap();
    let mut rows = Batch::default();
    let mut source = crate::samples::SampleSource::Csv(Box::new(source));
    while source.next_block(&mut rows).unwrap() {}
    let rows: Vec<Sample> = rows.iter().collect();
    assert_eq!(rows.len(), 20_000);
    for (i, row) in rows.iter().enumerate() {
        let i = i as i64;
        let load = i * 7 % 9000 * 1000 + 500;
        assert_eq!(
            (row.at.as_ms(), row.get(Quantity::Load), row.flag(Flag::Raising)),
            (i * 100, Some(load), Some(i % 2 == 1))
        );
    }
}

/// As [`read`], but what came before a fault is told too; many rows at a time.
fn read_in_blocks(text: &str) -> (Vec<Sample>, Option<String>) {
    let mut batch = Batch::default();
    let source = CsvSamples::read(io::Cursor::new(text.as_bytes().to_vec()), Path::new("bad.csv"));
    let fault = source.and_then(|mut rows| {
        while rows.next_block(&mut batch)? {}
        Ok(())
    });
    (batch.iter().collect(), fault.err().map(|error| error.to_string()))
}

fn read_one_by_one(text: &str) -> (Vec<Sample>, Option<String>) {
    let (mut samples, mut fault) = (Vec::new(), None);
    match CsvSamples::read(io::Cursor::new(text.as_bytes().to_vec()), Path::new("bad.csv")) {
        Ok(rows) => rows.for_each(|row| match row {
            Ok(sample) => samples.push(sample),
            Err(error) => fault = Some(error.to_string()),
        }),
        Err(error) => fault = Some(error.to_string()),
    }
    (samples, fault)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    /// A quotation mark in the header leaves all of the file to the reader that knows every form.
    #[test]
    fn the_quick_ways_give_what_the_reader_of_every_form_gives(
        dated in any::<bool>(), ends in prop_oneof![3 => Just("\n"), 1 => Just("\r\n")],
        rows in proptest::collection::vec(
            (prop_oneof![5 => Just(100_u64), 1 => 0_u64..90_000], any::<i32>(), 0_u8..9, prop_oneof![4 => 0_usize..3, 1 => 3_usize..6]),
            1..60,
        ),
        faults in proptest::collection::vec((any::<proptest::sample::Index>(), 0_usize..16), 0..4),
    ) {
        let mut text = format!("load_kg,raising,run_hours{ends}");
        let mut at = 0;
        for (step, load, places, bits) in rows {
            at += step;
            let load = f64::from(load) / 1000.0;
            let time = if dated {
                format!("2031-05-04T06:{:02}:{:02}.{:03}Z", at / 60_000 % 60, at / 1000 % 60, at % 1000)
            } else {
                format!("{}.{:03}", at / 1000, at % 1000)
            };
            let load = if places == 8 { String::new() } else { format!("{load:.0$}", usize::from(places)) };
            let bit = ["0", "1", "0", "", "2", " 1"][bits];
            text += &format!("{time},{load},{bit},{}{ends}", at as f64 / 7200.0);
        }
        let first = text.find('\n').unwrap_or(0) + 1;
        for (place, what) in faults {
            let mut place = first + place.index(text.len() - first);
            while !text.is_char_boundary(place) {
                place += 1;
            }
            text.replace_range(place..(place + 1).min(text.len()), [
                "", "\n", "\r", ",", ".", "-", "+", "e", "9", " ", "00000000000000000", "T", "Z", "\t", ":", "\n\n",
            ][what]);
        }
        let (plain, quoted) = (format!("time,{text}"), format!("\"time\",{text}"));
        let wanted = read_one_by_one(&quoted);
        prop_assert_eq!(&read_one_by_one(&plain), &wanted, "one by one: {:?}", plain);
        prop_assert_eq!(&read_in_blocks(&plain), &wanted, "in blocks: {:?}", plain);
    }
}
