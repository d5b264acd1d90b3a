//! `cycles`: range counting of one column of a CSV file.

use std::path::PathBuf;

use clap::Args;
use tallyhook_analysis::damage::{StressClass, damage_sum, stress_history};
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
    let damage = [3, 5].map(|m| damage_sum(&cycles, m));
    // On the largest range of the file; no range, no history.
    let stress = stress_history(&cycles, 3, None);
    let class = stress.map(|s| StressClass::of(s).map_or("above S9", StressClass::name));
    let caution = StressClass::MARK.caution().unwrap_or("");
    if args.json {
        let stress = stress.map(|s| {
            serde_json::json!({
                "s3": s, "class": class, "edition": StressClass::EDITION, "mark": "C", "caution": caution,
            })
        });
        let damage = serde_json::json!({ "m3": damage[0], "m5": damage[1] });
        println!("{}", serde_json::json!({ "cycles": rows, "damage": damage, "stress_history": stress }));
    } else {
        println!("{:>16} {:>16} {:>12}   (ASTM E1049-85 5.4.4; a half cycle is 0.5)", "range", "mean", "cycles");
        for row in &rows {
            println!("{:>16} {:>16} {:>12}", row.range, row.mean, row.count);
        }
        println!();
        println!("damage sum, cycles times range to the power 3: {}", damage[0]);
        println!("damage sum, cycles times range to the power 5: {}", damage[1]);
        if let (Some(s), Some(class)) = (stress, class) {
            println!(
                "stress history on the largest range: s3 = {s}, class {class} ({}; {caution})",
                StressClass::EDITION
            );
        }
    }
    Ok(Outcome::Done)
}
