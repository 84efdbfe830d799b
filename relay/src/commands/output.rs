//! The only place that prints. A closed pipe is not an error: whoever closed it has read enough.

use std::io::Write as _;

/// A line to standard output.
pub(super) fn say(line: &str) {
    writeln!(std::io::stdout().lock(), "{line}").ok();
}

/// A line to standard error.
pub(super) fn complain(line: &str) {
    writeln!(std::io::stderr().lock(), "{line}").ok();
}

/// A table in columns, two spaces apart; the first row is the heading.
pub(super) fn table(rows: &[Vec<String>]) {
    let columns = rows.iter().map(Vec::len).max().unwrap_or(0);
    let width = |column: usize| {
        rows.iter()
            .filter_map(|row| row.get(column))
            .map(|cell| cell.chars().count())
            .max()
    };
    let widths: Vec<_> = (0..columns)
        .map(|column| width(column).unwrap_or(0))
        .collect();
    for row in rows {
        let cells: Vec<_> = row
            .iter()
            .zip(&widths)
            .map(|(cell, width)| format!("{cell:<width$}", width = *width))
            .collect();
        say(cells.join("  ").trim_end());
    }
}
