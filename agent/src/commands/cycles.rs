//! `cycles`: range counting of one column of a CSV file.

use std::path::PathBuf;

use clap::Args;
use tallyhook_analysis::rainflow::{Counter, rows};

use crate::exit::{CommandResult, Failure, Outcome};

/// Range counting (rainflow, ASTM E1049-85 5.4.4) of one column.
#[derive(Args, Debug)]
pub struct CyclesArgs {
    /// CSV file with a header row.
    #[arg(long, value_name = "FILE")]
    samples: PathBuf,
    /// Name of the column to count; an empty field is skipped.
    #[arg(long, value_name = "NAME")]
    column: String,
    /// Prints one JSON document.
    #[arg(long)]
    json: bool,
}

/// Runs the command.
pub fn run(args: CyclesArgs) -> CommandResult {
    let file = args.samples.display();
    let mut reader = csv::ReaderBuilder::new()
        .trim(csv::Trim::All)
        .from_path(&args.samples)
        .map_err(|e| Failure::Usage(format!("{file} cannot be opened: {e}; check --samples")))?;
    let header = reader.headers().map_err(|e| Failure::Usage(format!("{file}: {e}")))?.clone();
    let column = header.iter().position(|name| name == args.column).ok_or_else(|| {
        let names: Vec<&str> = header.iter().collect();
        Failure::Usage(format!("{file} has no column `{}`; it has {}", args.column, names.join(", ")))
    })?;
    let mut cycles = Vec::new();
    let mut counter = Counter::new(0.0);
    let mut record = csv::StringRecord::new();
    while reader.read_record(&mut record).map_err(|e| Failure::Usage(format!("{file}: {e}")))? {
        let field = record.get(column).unwrap_or("");
        if field.is_empty() {
            continue;
        }
        let value = field.parse().ok().filter(|value: &f64| value.is_finite()).ok_or_else(|| {
            let line = record.position().map_or(0, csv::Position::line);
            Failure::Usage(format!(
                "{file}, line {line}: `{field}` in `{}` is no number; mend it or leave it empty",
                args.column
            ))
        })?;
        counter.push(value, &mut |cycle| cycles.push(cycle));
    }
    counter.close(&mut |cycle| cycles.push(cycle));
    let rows = rows(&cycles);
    if args.json {
        println!("{}", serde_json::json!({ "cycles": rows }));
    } else {
        println!("{:>16} {:>16} {:>12}   (ASTM E1049-85 5.4.4; a half cycle is 0.5)", "range", "mean", "cycles");
        for row in &rows {
            println!("{:>16} {:>16} {:>12}", row.range, row.mean, row.count);
        }
    }
    Ok(Outcome::Done)
}
