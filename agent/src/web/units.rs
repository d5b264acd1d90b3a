//! How quantities are written: the one place that rounds, groups digits, sets the decimal sign of the language and
//! picks kilograms or tonnes.

use tallyhook_analysis::load::uncertainty::COVERAGE;
use tallyhook_analysis::units::{Grams, MS_PER_HOUR};
use tallyhook_config::model::Units;

use super::wording::{ENGLISH, Wording};

/// Kilograms in a pound, by definition (international yard and pound agreement, 1959).
const KG_PER_POUND: f64 = 0.453_592_37;

/// Metres in a foot, by definition (the same).
const M_PER_FOOT: f64 = 0.3048;

/// Stands between groups of three digits and between a number and its unit; never breaks a line.
const THIN: char = '\u{202f}';

/// The unit loads are written in. One mechanism keeps to one unit on every view, so that its loads can be compared.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum MassUnit {
    /// kg, to the whole kilogram.
    Kilogram,
    /// t, to 10 kg.
    Tonne,
    /// lb, to the whole pound.
    Pound,
    /// US ton of 2,000 lb, to 20 lb.
    UsTon,
}

impl MassUnit {
    /// The unit for a mechanism: tonnes from 10 t of rated load.
    pub fn for_rated(rated: Grams) -> Self {
        if rated.get() >= 10_000_000 { MassUnit::Tonne } else { MassUnit::Kilogram }
    }

    /// The unit for a mechanism at a site: tonnes or US tons from 10 t of rated load.
    pub fn at_site(units: Units, rated: Grams) -> Self {
        match (units, MassUnit::for_rated(rated)) {
            (Units::Us, MassUnit::Tonne) => MassUnit::UsTon,
            (Units::Us, _) => MassUnit::Pound,
            (Units::Metric, unit) => unit,
        }
    }

    /// Kilograms in it.
    pub const fn kg(self) -> f64 {
        match self {
            MassUnit::Kilogram => 1.0,
            MassUnit::Tonne => 1000.0,
            MassUnit::Pound => KG_PER_POUND,
            MassUnit::UsTon => 2000.0 * KG_PER_POUND,
        }
    }

    /// A value in this unit as a load; `None` when it is none that a crane could have.
    pub fn load(self, value: f64) -> Option<Grams> {
        let kg = value * self.kg();
        (kg.is_finite() && (0.0..=1e6).contains(&kg)).then(|| Grams::from_kg(kg))
    }

    /// Its symbol.
    pub const fn symbol(self) -> &'static str {
        match self {
            MassUnit::Kilogram => "kg",
            MassUnit::Tonne => "t",
            MassUnit::Pound => "lb",
            MassUnit::UsTon => "US ton",
        }
    }

    /// Decimal places that loads are written with.
    const fn decimals(self) -> usize {
        match self {
            MassUnit::Kilogram | MassUnit::Pound => 0,
            MassUnit::Tonne | MassUnit::UsTon => 2,
        }
    }

    /// A load in this unit, without the symbol, for the shell.
    pub fn number(self, load: Grams) -> String {
        ENGLISH.loads_in(self).number(load)
    }

    /// Twice a standard uncertainty without the symbol, for the shell.
    pub fn give_or_take(self, standard: Option<Grams>) -> String {
        ENGLISH.loads_in(self).give_or_take(standard)
    }

    /// A load in this unit, with the symbol, for the shell.
    pub fn text(self, load: Grams) -> String {
        ENGLISH.loads_in(self).text(load)
    }
}

/// Loads of one mechanism as one language writes them.
#[derive(Clone, Copy)]
pub struct Loads {
    words: &'static Wording,
    unit: MassUnit,
}

impl Loads {
    /// A value in this unit as a load; `None` when it is none that a crane could have.
    pub fn load(self, value: f64) -> Option<Grams> {
        self.unit.load(value)
    }

    /// Symbol of the unit.
    pub const fn symbol(self) -> &'static str {
        self.unit.symbol()
    }

    /// A load without the symbol.
    pub fn number(self, load: Grams) -> String {
        self.words.number(load.as_kg() / self.unit.kg(), self.unit.decimals())
    }

    /// What stands behind ± beside a load: twice its standard uncertainty, without the symbol; a dash where none is known.
    pub fn give_or_take(self, standard: Option<Grams>) -> String {
        let twice = |standard: Grams| standard.as_kg() * COVERAGE / self.unit.kg();
        standard.map_or_else(|| "–".to_owned(), |standard| self.words.number(twice(standard), self.unit.decimals()))
    }

    /// A load with the symbol.
    pub fn text(self, load: Grams) -> String {
        format!("{}{THIN}{}", self.number(load), self.symbol())
    }
}

impl Wording {
    /// Writes loads in a unit.
    pub const fn loads_in(&'static self, unit: MassUnit) -> Loads {
        Loads { words: self, unit }
    }

    /// A length with its unit: metres or feet, to the centimetre or the tenth of a foot.
    pub fn length(&self, units: Units, metres: f64) -> String {
        match units {
            Units::Metric => format!("{}{THIN}m", self.number(metres, 2)),
            Units::Us => format!("{}{THIN}ft", self.number(metres / M_PER_FOOT, 1)),
        }
    }

    /// A number with `decimals` places, thousands apart, a true minus sign.
    pub fn number(&self, value: f64, decimals: usize) -> String {
        if !value.is_finite() {
            return "–".to_owned();
        }
        let plain = format!("{:.decimals$}", value.abs());
        let (whole, rest) = match plain.split_once('.') {
            Some((whole, rest)) => (whole, Some(rest)),
            None => (plain.as_str(), None),
        };
        let mut out = String::with_capacity(plain.len() + 6);
        // A value that rounds to zero has no sign.
        if value < 0.0 && plain.bytes().any(|b| (b'1'..=b'9').contains(&b)) {
            out.push('−');
        }
        for (i, digit) in whole.chars().enumerate() {
            // Four digits stay together, as tables of the trade print them.
            if i > 0 && whole.len() > 4 && (whole.len() - i).is_multiple_of(3) {
                out.push_str(self.digit_groups);
            }
            out.push(digit);
        }
        if let Some(rest) = rest {
            out.push_str(self.decimal_sign);
            out.push_str(rest);
        }
        out
    }

    /// A count.
    pub fn count(&self, value: u64) -> String {
        self.number(value as f64, 0)
    }

    /// Hours without the unit: three significant places below 100 h, one decimal above.
    pub fn hours(&self, value: f64) -> String {
        let decimals = match value.abs() {
            v if v >= 100.0 => 1,
            v if v >= 10.0 => 2,
            0.0 => 0,
            v if v >= 0.1 => 3,
            _ => 4,
        };
        self.number(value, decimals)
    }

    /// A share (1 is the whole) as per cent with its sign: two significant places at the least.
    pub fn percent(&self, share: f64) -> String {
        let value = share * 100.0;
        let decimals = match value.abs() {
            0.0 => 0,
            v if v >= 10.0 => 1,
            v if v >= 1.0 => 2,
            v if v >= 0.1 => 2,
            v if v >= 0.01 => 3,
            v if v >= 0.001 => 4,
            _ => 5,
        };
        format!("{}{THIN}%", self.number(value, decimals))
    }

    /// A warn level or a band edge as per cent: whole where it is whole.
    pub fn level(&self, share: f64) -> String {
        let value = share * 100.0;
        let decimals = if (value - value.round()).abs() < 1e-9 { 0 } else { 1 };
        format!("{}{THIN}%", self.number(value, decimals))
    }

    /// A load spectrum factor: four decimals.
    pub fn factor(&self, value: f64) -> String {
        self.number(value, 4)
    }
}

/// A length of time in words of the clock: `14 s`, `3 min 05 s`, `2 h 10 min`, `3 d 4 h`.
pub fn duration(ms: i64) -> String {
    let seconds = ms.max(0) / 1000;
    let (minutes, hours, days) = (seconds / 60, seconds / 3600, seconds / 86_400);
    if seconds < 60 {
        format!("{seconds}{THIN}s")
    } else if minutes < 60 {
        format!("{minutes}{THIN}min {:02}{THIN}s", seconds % 60)
    } else if hours < 48 {
        format!("{hours}{THIN}h {:02}{THIN}min", minutes % 60)
    } else {
        format!("{days}{THIN}d {}{THIN}h", hours % 24)
    }
}

/// `Wording::number` for the shell, which stays English as all these.
pub fn number(value: f64, decimals: usize) -> String {
    ENGLISH.number(value, decimals)
}

/// `Wording::count` for the shell.
pub fn count(value: u64) -> String {
    ENGLISH.count(value)
}

/// `Wording::hours` for the shell.
pub fn hours(value: f64) -> String {
    ENGLISH.hours(value)
}

/// `Wording::percent` for the shell.
pub fn percent(share: f64) -> String {
    ENGLISH.percent(share)
}

/// `Wording::factor` for the shell.
pub fn factor(value: f64) -> String {
    ENGLISH.factor(value)
}

/// Milliseconds as hours.
pub fn ms_as_hours(ms: u64) -> f64 {
    ms as f64 / MS_PER_HOUR as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plain(text: String) -> String {
        text.replace(THIN, " ")
    }

    #[test]
    fn loads_keep_one_unit_per_mechanism() {
        let sixteen = MassUnit::for_rated(Grams::from_kg(16_000.0));
        assert_eq!(plain(sixteen.text(Grams::from_kg(8_324.6))), "8.32 t");
        let five = MassUnit::for_rated(Grams::from_kg(5_000.0));
        assert_eq!(plain(five.text(Grams::from_kg(12_000.4))), "12 000 kg");
    }

    /// NIST SP 811, appendix B.8: 1 lb is 0.453 592 37 kg, 1 ton (short) 907.184 74 kg, 1 ft 0.3048 m.
    #[test]
    fn us_units_are_those_of_nist() {
        let sixteen = MassUnit::at_site(Units::Us, Grams::from_kg(16_000.0));
        assert_eq!(plain(sixteen.text(Grams::from_kg(907.184_74))), "1.00 US ton");
        let five = MassUnit::at_site(Units::Us, Grams::from_kg(5_000.0));
        assert_eq!(plain(five.text(Grams::from_kg(453.592_37))), "1000 lb");
        assert_eq!(five.load(1000.0), Some(Grams::from_kg(453.592_37)));
        assert_eq!(five.load(-1.0), None);
        assert_eq!(plain(ENGLISH.length(Units::Us, 3.048)), "10.0 ft");
        assert_eq!(plain(ENGLISH.length(Units::Metric, 3.048)), "3.05 m");
        assert_eq!(MassUnit::at_site(Units::Metric, Grams::from_kg(5_000.0)), MassUnit::Kilogram);
    }

    #[test]
    fn small_shares_keep_two_figures() {
        for (share, text) in [
            (0.0, "0 %"),
            (0.000164, "0.016 %"),
            (0.00164, "0.16 %"),
            (0.0164, "1.64 %"),
            (0.4, "40.0 %"),
            (1.331, "133.1 %"),
        ] {
            assert_eq!(plain(percent(share)), text, "{share}");
        }
    }

    #[test]
    fn numbers_group_and_sign() {
        assert_eq!(plain(number(1234567.891, 1)), "1 234 567.9");
        assert_eq!(plain(number(1600.0, 0)), "1600");
        assert_eq!(number(-0.04, 1), "0.0");
        assert_eq!(number(-3.0, 0), "−3");
        assert_eq!(number(f64::NAN, 1), "–");
    }

    #[test]
    fn german_has_a_decimal_comma_and_the_same_digits() {
        use crate::web::wording::GERMAN;
        assert_eq!(plain(GERMAN.number(1234567.891, 1)), "1 234 567,9");
        assert_eq!(plain(GERMAN.number(-1600.0, 0)), "−1600");
        assert_eq!(plain(GERMAN.percent(0.01234)), "1,23 %");
        assert_eq!(plain(GERMAN.hours(0.0123)), "0,0123");
        assert_eq!(plain(GERMAN.loads_in(MassUnit::Tonne).text(Grams::from_kg(8_324.6))), "8,32 t");
        assert_eq!(plain(GERMAN.length(Units::Us, 3.048)), "10,0 ft");
        // The shell and programs keep the point.
        assert_eq!(plain(number(1234567.891, 1)), "1 234 567.9");
    }

    #[test]
    fn durations_read_like_a_clock() {
        for (ms, text) in [
            (14_400, "14 s"),
            (185_000, "3 min 05 s"),
            (7_800_000, "2 h 10 min"),
            (273_600_000, "3 d 4 h"),
            (-5, "0 s"),
        ] {
            assert_eq!(plain(duration(ms)), text);
        }
    }
}
