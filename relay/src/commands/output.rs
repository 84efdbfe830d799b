//! The only place that prints. A closed pipe is not an error: whoever closed it has read enough.

use std::io::Write as _;
use std::path::Path;

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

/// Writes beside the file and renames: whoever reads it sees the old one or the new one.
pub(super) fn write_whole(path: &Path, text: &str) -> std::io::Result<()> {
    let name = path.file_name().ok_or(std::io::ErrorKind::IsADirectory)?;
    let mut part = std::ffi::OsString::from(".");
    part.push(name);
    part.push(format!(".{}.part", std::process::id()));
    let part = path.with_file_name(part);
    let written = std::fs::File::create(&part)
        .and_then(|mut file| {
            file.write_all(text.as_bytes())?;
            file.sync_all()
        })
        .and_then(|()| std::fs::rename(&part, path));
    if written.is_err() {
        // What went wrong is told; a left-over that can't be removed adds nothing to it.
        std::fs::remove_file(&part).ok();
    }
    written
}

/// Writes over the line of standard error that this wrote last.
pub(super) fn replace_line(line: &str) {
    let mut out = std::io::stderr().lock();
    write!(out, "\r\x1b[K{line}")
        .and_then(|()| out.flush())
        .ok();
}

/// Takes that line away.
pub(super) fn erase_line() {
    replace_line("");
}
