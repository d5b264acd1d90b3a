//! `cycles`: range counting of one column of a CSV file.

use std::fs::File;
use std::path::PathBuf;

use clap::Args;
use tallyhook_analysis::damage::{StressClass, damage_sum, stress_history};
use tallyhook_analysis::rainflow::{Counter, Matrix, matrix, rows};

use crate::exit::{CommandResult, Failure, Outcome};
use crate::samples::rows::{OTHER_SEPARATOR, Rows};

/// So many rows are read by people; the largest ranges do the damage.
const MOST_ROWS: usize = 40;

/// The largest number that is counted: the fifth power of a range of it is a number too, and so is a sum of many.
const MOST: f64 = 1e60;

/// Range counting (rainflow, ASTM E1049-85 5.4.4) of one column.
#[derive(Args, Debug)]
pub struct CyclesArgs {
    /// CSV file with a header row.
    #[arg(long, value_name = "FILE")]
    samples: PathBuf,
    /// Name of the column to count; an empty field is skipped.
    #[arg(long, value_name = "NAME")]
    column: String,
    /// Classes of range and of mean in the matrix.
    #[arg(long, value_name = "N", default_value_t = 8, value_parser = clap::value_parser!(u8).range(1..=32))]
    classes: u8,
    /// Prints one JSON document.
    #[arg(long)]
    json: bool,
}

/// Runs the command.
pub fn run(args: CyclesArgs) -> CommandResult {
    let file = args.samples.display();
    let mend = "give a CSV file to --samples";
    if args.samples.is_dir() {
        return Err(Failure::Usage(format!("{file} is a directory; {mend}")));
    }
    let opened =
        File::open(&args.samples).map_err(|e| Failure::Usage(format!("{file} cannot be opened: {e}; {mend}")))?;
    let mut source = Rows::of(opened, &args.samples);
    let header = source.header().map_err(Failure::usage)?;
    if header.is_empty() {
        return Err(Failure::Usage(format!("{file} is empty; begin it with a header row of column names")));
    }
    let column = header.iter().position(|name| *name == args.column).ok_or_else(|| {
        let names = header.join(", ");
        let mend = match header.as_slice() {
            [only] if only.contains([';', '\t']) => OTHER_SEPARATOR,
            _ => "give one of them to --column",
        };
        Failure::usage(source.here(format!("there is no column `{}`; it has {names}; {mend}", args.column)))
    })?;
    let mut cycles = Vec::new();
    let mut counter = Counter::new(0.0);
    while source.next_row().map_err(Failure::usage)? {
        source.is_as_wide_as(header.len()).map_err(Failure::usage)?;
        let field = &source.row()[column];
        if field.is_empty() {
            continue;
        }
        let number = std::str::from_utf8(field).ok().and_then(|field| field.parse::<f64>().ok());
        let value = number.filter(|value| value.abs() <= MOST).ok_or_else(|| {
            let (shown, name) = (String::from_utf8_lossy(field), &args.column);
            Failure::usage(source.here(match number {
                Some(value) if !value.is_nan() => format!(
                    "`{shown}` in `{name}` is beyond {MOST:e}, the largest number that is counted; mend it, or give the \
                     column in a larger unit"
                ),
                _ => format!("`{shown}` in `{name}` is no number; mend it or leave it empty"),
            }))
        })?;
        counter.push(value, &mut |cycle| cycles.push(cycle));
    }
    counter.close(&mut |cycle| cycles.push(cycle));
    let rows = rows(&cycles);
    let damage = [3, 5].map(|m| damage_sum(&cycles, m));
    // On the largest range of the file; no range, no history.
    let stress = stress_history(&cycles, 3, None);
    let class = stress.map(|s| StressClass::of(s).map_or("above S9", StressClass::name));
    let caution = StressClass::MARK.caution().unwrap_or("");
    let matrix = matrix(&rows, usize::from(args.classes));
    if args.json {
        let stress = stress.map(|s| {
            serde_json::json!({
                "s3": s, "class": class, "edition": StressClass::EDITION, "mark": "C", "caution": caution,
            })
        });
        let damage = serde_json::json!({ "m3": damage[0], "m5": damage[1] });
        let answer = serde_json::json!({
            "cycles": rows, "matrix": matrix, "damage": damage, "stress_history": stress,
            "edition": "ASTM E1049-85 5.4.4",
        });
        println!("{answer}");
    } else {
        println!("Ranges of `{}`, in its unit (ASTM E1049-85 5.4.4; a half cycle is 0.5)", args.column);
        println!("{:>16} {:>16} {:>12}", "range", "mean", "cycles");
        let smaller = rows.len().saturating_sub(MOST_ROWS);
        if smaller > 0 {
            println!("     … and {smaller} rows of smaller ranges; --json has them all");
        }
        for row in &rows[smaller..] {
            println!("{:>16} {:>16} {:>12}", row.range, row.mean, row.count);
        }
        if let Some(matrix) = matrix {
            println!("\n{}", table(&matrix));
        }
        println!("damage sum, cycles times range to the power 3: {}", damage[0]);
        println!("damage sum, cycles times range to the power 5: {}", damage[1]);
        if let (Some(s), Some(class)) = (stress, class) {
            println!("stress history on the largest range: s3 = {s:.4e}, class {class}");
            println!("({}; {caution})", StressClass::EDITION);
        }
    }
    Ok(Outcome::Done)
}

/// Cycles by class: a line for each class of range that has any, the largest first, a column for each class of mean.
fn table(matrix: &Matrix) -> String {
    // Four significant places, so that a column stays narrow.
    let short = |value: f64| {
        let digits = value.abs().log10().floor();
        let decimals = if value == 0.0 { 0 } else { (3.0 - digits).clamp(0.0, 6.0) as usize };
        let text = format!("{value:.decimals$}");
        let text = if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.') } else { &text };
        text.to_owned()
    };
    let mut out = String::from("Cycles by range (down) and mean (across), each up to its number\n");
    let heads: String = matrix.mean_edges.iter().skip(1).map(|&edge| format!(" {:>7}", short(edge))).collect();
    out += &format!("{:>12} |{heads}\n", "range \\ mean");
    out += &format!("{}+{}\n", "-".repeat(13), "-".repeat(heads.chars().count()));
    for (edge, row) in matrix.range_edges.iter().skip(1).zip(&matrix.cycles).rev() {
        if row.iter().any(|&cycles| cycles > 0.0) {
            let cells: String = row
                .iter()
                .map(|&cycles| if cycles > 0.0 { format!(" {:>7}", short(cycles)) } else { format!(" {:>7}", ".") })
                .collect();
            out += &format!("{:>12} |{cells}\n", short(*edge));
        }
    }
    out
}
