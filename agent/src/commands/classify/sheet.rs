//! The answer for people: figures by name, at most 80 columns.

use std::fmt::Write as _;

/// Width, columns.
const WIDTH: usize = 80;
/// Width of the names of the figures, columns.
const NAME: usize = 24;

/// A sheet that is being written.
pub struct Sheet(String);

impl Sheet {
    /// A sheet with a heading.
    pub fn new(heading: &str) -> Self {
        let mut sheet = Sheet(String::new());
        sheet.wrapped("", heading);
        let _ = writeln!(sheet.0, "{}", "-".repeat(heading.chars().count().min(WIDTH)));
        sheet
    }

    /// A figure; without a name it goes on with the one above.
    pub fn line(&mut self, name: &str, value: &str) {
        self.wrapped(&format!("  {name:<NAME$}"), value);
    }

    /// A row of right-aligned columns, the last one left-aligned.
    pub fn row(&mut self, columns: &[&str]) {
        let Some((last, columns)) = columns.split_last() else { return };
        let mut row = String::from("  ");
        for column in columns {
            let _ = write!(row, "{column:>12}");
        }
        let _ = writeln!(self.0, "{row}  {last}");
    }

    /// Some free space.
    pub fn gap(&mut self) {
        self.0.push('\n');
    }

    /// A sentence across the sheet.
    pub fn say(&mut self, text: &str) {
        self.wrapped("  ", text);
    }

    /// The text. Thin spaces are for the page; a terminal may not have them.
    pub fn finish(self) -> String {
        self.0.replace('\u{202f}', " ")
    }

    /// `text` after `first`, broken between words; further lines stand under the first one's text.
    fn wrapped(&mut self, first: &str, text: &str) {
        let indent = first.chars().count();
        let mut column = indent;
        self.0.push_str(first);
        for (i, word) in text.split(' ').enumerate() {
            let length = word.chars().count();
            if i > 0 && column + 1 + length > WIDTH {
                self.0.push('\n');
                self.0.push_str(&" ".repeat(indent));
                column = indent;
            } else if i > 0 {
                self.0.push(' ');
                column += 1;
            }
            self.0.push_str(word);
            column += length;
        }
        self.0.push('\n');
    }
}
