//! How the page looks: a sheet of a log book, ruled, in one ink, with the gaps marked.

/// The style sheet. Colours of the causes after Okabe and Ito, "Color Universal Design" (2008),
/// darkened on paper to keep 3:1 against it (WCAG 2.1, 1.4.11).
pub(super) const SHEET: &str = include_str!("sheet.css");

/// Patterns and marks that the strips refer to. Each cause has its own pattern, mark and letter,
/// so that none depends on colour.
pub(super) const DEFINITIONS: &str = include_str!("definitions.svg");
