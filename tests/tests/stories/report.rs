//! The report: filled from the store, printed to PDF by a real browser, read back from the paper.

use std::path::Path;
use std::process::Command;

use serde_json::Value;
use tallyhook_tests::cabinet::Cabinet;
use tallyhook_tests::yard::{demo_store, status};

fn done(command: &mut Command) -> String {
    let output = command.output().unwrap_or_else(|error| panic!("{command:?}: {error}; tests/run installs it"));
    assert!(output.status.success(), "{command:?}: {}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8_lossy(&output.stdout).into_owned()
}

/// The pages of a PDF as text, lines as they lie on the paper.
fn pages(pdf: &Path) -> Vec<String> {
    let text = done(Command::new("pdftotext").args(["-layout", "-enc", "UTF-8"]).arg(pdf).arg("-"));
    // A page ends with a form feed.
    text.split('\u{c}').filter(|page| !page.trim().is_empty()).map(squeezed).collect()
}

/// One space where there is any room.
fn squeezed(text: &str) -> String {
    let lines = text.lines().map(|line| line.split_whitespace().collect::<Vec<_>>().join(" "));
    lines.collect::<Vec<_>>().join("\n")
}

/// Without any room: paper has it between groups of digits and before units.
fn closed(text: &str) -> String {
    text.split_whitespace().collect()
}

fn as_pdf(cabinet: &Cabinet, arguments: &[&str]) -> (String, Vec<String>) {
    let (html, pdf) = (cabinet.path().join("record.html"), cabinet.path().join("record.pdf"));
    cabinet.run(&[&["report", "--data", "data", "--out", "record.html"], arguments].concat()).ok();
    let mut browser = Command::new("chromium");
    browser.args(["--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--no-pdf-header-footer"]);
    browser.args(["--disable-background-networking", "--disable-component-update", "--disable-sync"]);
    browser.arg(format!("--user-data-dir={}", cabinet.path().join("profile").display()));
    browser.arg(format!("--print-to-pdf={}", pdf.display())).arg(format!("file://{}", html.display()));
    done(&mut browser);
    (std::fs::read_to_string(html).unwrap(), pages(&pdf))
}

#[test]
fn the_printed_report_says_what_the_status_says_and_no_row_is_cut() {
    let cabinet = Cabinet::new();
    demo_store(&cabinet);
    let now = status(&cabinet);
    let hoist = &now["mechanisms"][0];
    let report: Value = cabinet.run(&["report", "--data", "data", "--since-overhaul", "--json"]).json();
    let of = &report["mechanisms"][0];
    assert_eq!(of["now"], *hoist, "as of the end of the record it is the status");
    let trend: Value = cabinet.run(&["trend", "--data", "data", "--json"]).json();
    assert_eq!(of["days"], trend["mechanisms"][0]["total"]);
    assert_eq!(of["months"], trend["mechanisms"][0]["steps"]);
    assert_eq!(of["spectrum"], hoist["spectrum"], "the whole record is one period");
    assert_eq!(of["overloads"]["count"], hoist["overload_lifts"]);
    let verified: Value = cabinet.run(&["verify", "--data", "data", "--json"]).json();
    assert_eq!(of["ledger"]["hash"], verified["mechanisms"][0]["anchor"]);

    let (html, pages) = as_pdf(&cabinet, &["--since-overhaul"]);
    for word in ["http://", "https://", "<script", "<img"] {
        assert!(!html.contains(word), "the sheet stands alone, without {word}");
    }
    let all = pages.join("\n");
    println!("{} pages", pages.len());
    assert!((3..=12).contains(&pages.len()), "{} pages", pages.len());
    let number = |name: &str| hoist[name].as_f64().unwrap();
    for figure in [
        format!("Used share S/D {:.1}%", number("consumed") * 100.0),
        format!("D designed for {:.0}h", number("design_full_load_hours")),
        format!("Left of D {:.1}h", number("remaining_full_load_hours")),
        format!("Running time T {:.1}h", number("running_hours")),
        format!("Lifts {}", number("lifts")),
        format!("Lifts above the rated load {}", number("overload_lifts")),
        format!("Starts {}", number("starts")),
        format!(
            "Load spectrum factor km {:.4} ({})",
            number("load_spectrum_factor"),
            hoist["state_of_loading"].as_str().unwrap()
        ),
        format!("Group in use {}", hoist["group_in_use"].as_str().unwrap()),
        hoist["forecast"]["date_p50"].as_str().unwrap().to_owned(),
        of["ledger"]["configuration"].as_str().unwrap().to_owned(),
        of["ledger"]["hash"].as_str().unwrap().to_owned(),
    ] {
        assert!(closed(&all).contains(&closed(&figure)), "“{figure}” is not on the paper:\n{all}");
    }
    for caution in ["neither the load limiter", "Competent person", "check against the standard", "local code"] {
        // Where a line ends is the printer's fonts' to say.
        assert!(closed(&all).contains(&closed(caution)), "{caution}");
    }

    // Every overload's row is whole, on a page that has the table's head above it.
    let lifts = of["overloads"]["rows"].as_array().unwrap();
    assert!(lifts.len() > 20, "the yard overloads its crane: {}", lifts.len());
    let rated = hoist["rated_load_kg"].as_f64().unwrap();
    let listed: Vec<(usize, &str)> = pages
        .iter()
        .enumerate()
        .flat_map(|(page, text)| text.lines().map(move |line| (page, line)))
        .filter(|(_, line)| {
            let words: Vec<&str> = line.split(' ').collect();
            words.len() == 9 && [0, 2].iter().all(|i| words[*i].matches('-').count() == 2)
        })
        .collect();
    assert_eq!(listed.len(), lifts.len(), "a row with two dates a lift: {listed:#?}");
    for ((page, line), lift) in listed.iter().zip(lifts) {
        let (load, peak) = (lift["load_kg"].as_f64().unwrap(), lift["peak_kg"].as_f64().unwrap());
        let seconds = lift["running_seconds"].as_f64().unwrap();
        // Twice the standard uncertainty stands beside the load.
        let off = lift["load_uncertainty_kg"].as_f64().unwrap() * 2.0;
        let [load_t, off_t, peak_t] = [load, off, peak].map(|kg| kg / 1000.0);
        let rest = format!("{load_t:.2} {off_t:.2} {:.1} {peak_t:.2} {seconds:.1}", load / rated * 100.0);
        assert!(line.ends_with(&rest), "{line}: {rest}");
        let head = pages[*page].lines().position(|l| l.starts_with("Begin End Load"));
        let here = pages[*page].lines().position(|l| l == *line);
        assert!(head.is_some() && head < here, "page {page} has rows without their head");
    }
    // The bands of the spectrum are on one page, with their sum.
    let bands = pages.iter().find(|page| page.contains("Load, % of rated")).expect("the spectrum's table");
    for band in ["above 110", "90 to 100", "0 to 10", "Sum"] {
        assert!(bands.lines().any(|line| line.starts_with(band)), "{band} is not on the page of its head:\n{bands}");
    }
}

/// What stands between the tags of a sheet, but the line that says when it was made.
fn texts(html: &str) -> Vec<String> {
    let body = html.split_once("<body>").unwrap().1;
    let pieces = body.split('<').filter_map(|piece| piece.split_once('>'));
    let texts = pieces.map(|(_, text)| text.trim().to_owned());
    texts.filter(|text| !text.is_empty() && !text.contains("Tallyhook ")).collect()
}

/// Numbers with points, in the order of their text.
fn numbers(text: &str, decimal: char) -> Vec<String> {
    let mut found = vec![String::new()];
    let next = text.chars().skip(1).chain([' ']);
    for (c, next) in text.chars().zip(next) {
        let point = (c == decimal || c == '.') && next.is_ascii_digit();
        match found.last_mut() {
            Some(last) if c.is_ascii_digit() => last.push(c),
            Some(last) if point => last.push('.'),
            _ => found.push(String::new()),
        }
    }
    found.retain(|number| !number.is_empty());
    found.sort_unstable();
    found
}

/// The same store with German as the site's language: the same numbers with commas, no English sentence, English JSON.
fn german_says_the_same(cabinet: &Cabinet) {
    let sheet = |arguments: &[&str]| {
        let answer = cabinet.run(&[&["report", "--data", "data", "--since-overhaul"], arguments].concat());
        assert!(answer.status.success(), "{}", answer.stderr);
        answer.stdout
    };
    let (english, json) = (sheet(&[]), sheet(&["--json"]));
    let path = cabinet.path().join("data/configuration.toml");
    let configuration = std::fs::read_to_string(&path).unwrap();
    let changed = configuration.replacen("[site]", "[site]\nlanguage = \"de\"", 1);
    assert_ne!(changed, configuration);
    std::fs::write(&path, changed).unwrap();
    let german = sheet(&[]);
    for word in
        ["<html lang=\"de\">", "Nutzungsnachweis", "Verbleibende Nutzungsdauer", "Triebwerksgruppe", "Lastkollektiv"]
    {
        assert!(german.contains(word), "{word}");
    }
    let (one, other) = (texts(&english), texts(&german));
    assert_eq!(one.len(), other.len());
    let mut commas = 0;
    for (a, b) in one.iter().zip(&other) {
        assert_eq!(numbers(a, '.'), numbers(b, ','), "{a} / {b}");
        commas += usize::from(a.contains('.') && b.contains(','));
        // What the site itself has written stays as it is.
        let own = configuration.contains(b.as_str());
        let words: Vec<&str> = b.split(|c: char| !c.is_alphabetic()).collect();
        let left =
            ["the", "The", "of", "and", "with", "is", "are", "lifts", "hours"].iter().find(|word| words.contains(word));
        assert!(own || left.is_none(), "{left:?} in “{b}”");
    }
    assert!(commas > 50, "{commas}");
    let now: Value = serde_json::from_str(&sheet(&["--json"])).unwrap();
    let before: Value = serde_json::from_str(&json).unwrap();
    assert_eq!((&now["mechanisms"], &now["about"]), (&before["mechanisms"], &before["about"]));
    std::fs::write(&path, configuration).unwrap();
}

#[test]
fn a_month_has_its_own_sums_and_wrong_days_are_refused() {
    let cabinet = Cabinet::new();
    demo_store(&cabinet);
    let trend: Value = cabinet.run(&["trend", "--data", "data", "--json"]).json();
    let months = trend["mechanisms"][0]["steps"].as_array().unwrap();
    let month = &months[months.len() - 3];
    let label = month["label"].as_str().unwrap();
    let report: Value = cabinet.run(&["report", "--data", "data", "--month", label, "--json"]).json();
    let of = &report["mechanisms"][0];
    for (name, value) in month.as_object().unwrap().iter().filter(|(name, _)| *name != "label") {
        assert_eq!(of["days"][name], *value, "{name}");
    }
    let lifts: u64 = of["spectrum"].as_array().unwrap().iter().map(|b| b["lifts"].as_u64().unwrap()).sum();
    assert_eq!(lifts, month["lifts"].as_u64().unwrap());
    german_says_the_same(&cabinet);
    assert_eq!(of["overloads"]["count"], month["overload_lifts"]);
    assert!(of["ledger"]["closed_day"].as_str().unwrap().starts_with(label), "{}", of["ledger"]["closed_day"]);
    let text = cabinet.run(&["report", "--data", "data", "--month", label]).ok();
    assert!(text.starts_with("<!DOCTYPE html>") && text.ends_with("</html>"));

    for (arguments, mend) in [
        (&["--month", "2026-13"][..], "2026-03"),
        (&["--month", "March"], "2026-03"),
        (&["--from", "2026-03-01", "--to", "2026-03-01"], "--to is not after --from"),
        (&["--from", "yesterday"], "2026-03-01"),
        (&["--year", "1990"], "--year 1990 has no record; give one that has: 20"),
        (&["--mechanism", "none"], "main-hoist"),
        (&["--month", "2026-03", "--year", "2026"], "cannot be used with"),
        (&["--out", "missing/record.html"], "another file to --out"),
    ] {
        let answer = cabinet.run(&[&["report", "--data", "data"], arguments].concat());
        assert_eq!(answer.status.code(), Some(2), "{arguments:?}: {}", answer.stderr);
        assert!(answer.stderr.contains(mend), "{arguments:?}: {}", answer.stderr);
        assert!(answer.stdout.is_empty());
    }
}
