//! Typed values out of one table of the file, each checked against what is allowed.
//!
//! Every getter reports what is wrong and then gives the default or nothing, so that the reader
//! goes on to the next key. [`Fields::finish`] reports the keys that nobody asked for.

use std::ops::{Range, RangeInclusive};
use std::path::{Path, PathBuf};
use std::time::Duration;

use toml::Spanned;
use toml::de::{DeInteger, DeTable, DeValue};

use crate::units::Name;

use super::problem::Report;
use super::quantity::ByteCount;
use super::wording::{cut, listed, nearest, quoted};

/// One table of the file on its way to a typed value.
pub(super) struct Fields<'a, 't> {
    table: &'a DeTable<'t>,
    span: Range<usize>,
    /// What the table describes, as messages name it: `camera "gate"`.
    what: String,
    known: Vec<&'static str>,
    pub(super) report: &'a Report,
}

/// Most tables of a kind and items of a list.
const ITEMS_MAX: usize = 1000;

type Value<'t> = Spanned<DeValue<'t>>;

/// A value's kind in a person's words.
fn kind(value: &DeValue<'_>) -> &'static str {
    match value {
        DeValue::String(_) => "text",
        DeValue::Integer(_) => "a number",
        DeValue::Float(_) => "a number with a fraction",
        DeValue::Boolean(_) => "true or false",
        DeValue::Datetime(_) => "a date or time",
        DeValue::Array(_) => "a list",
        DeValue::Table(_) => "a table",
    }
}

fn whole(integer: &DeInteger<'_>) -> Option<i128> {
    i128::from_str_radix(integer.as_str(), integer.radix()).ok()
}

impl<'a, 't> Fields<'a, 't> {
    pub(super) fn new(
        table: &'a DeTable<'t>,
        span: Range<usize>,
        what: impl Into<String>,
        report: &'a Report,
    ) -> Self {
        Self {
            table,
            span,
            what: what.into(),
            known: Vec::new(),
            report,
        }
    }

    /// What the table describes, for messages.
    pub(super) fn what(&self) -> &str {
        &self.what
    }

    /// Where the value of `key` stands; the table's header when it is not given.
    pub(super) fn span(&self, key: &str) -> Range<usize> {
        self.find(key)
            .map_or_else(|| self.span.clone(), Spanned::span)
    }

    pub(super) fn has(&self, key: &str) -> bool {
        self.find(key).is_some()
    }

    /// The value of `name` as it is written, right or wrong.
    pub(super) fn own_name(&self) -> Option<&'a str> {
        self.find("name").and_then(|value| value.get_ref().as_str())
    }

    fn find(&self, key: &str) -> Option<&'a Value<'t>> {
        self.table
            .iter()
            .find(|(name, _)| name.get_ref() == key)
            .map(|(_, value)| value)
    }

    pub(super) fn take(&mut self, key: &'static str) -> Option<&'a Value<'t>> {
        self.known.push(key);
        self.find(key)
    }

    /// Reports that the value of `key` is wrong.
    pub(super) fn wrong(&self, key: &str, message: impl AsRef<str>, advice: impl Into<String>) {
        self.report
            .at(self.span(key), self.about(message.as_ref()), advice);
    }

    fn about(&self, message: &str) -> String {
        if self.what.is_empty() {
            message.to_owned()
        } else {
            format!("{}: {message}", self.what)
        }
    }

    pub(super) fn wrong_kind(&self, key: &str, value: &DeValue<'_>, wanted: &str, example: &str) {
        self.wrong(
            key,
            format!("{key} must be {wanted}, not {}", kind(value)),
            format!("Write it as: {key} = {example}"),
        );
    }

    /// Reports that `key` is missing, where it is.
    pub(super) fn require(&self, key: &str, example: &str) {
        if !self.has(key) {
            let message = format!("{key} is missing");
            self.wrong(key, message, format!("Add a line: {key} = {example}"));
        }
    }

    /// A text that isn't empty.
    pub(super) fn text(&mut self, key: &'static str, example: &str) -> Option<&'a str> {
        let value = self.take(key)?.get_ref();
        match value.as_str() {
            None => self.wrong_kind(key, value, "text in quotes", example),
            Some("") => {
                let message = format!("{key} is empty");
                self.wrong(key, message, format!("Write it as: {key} = {example}"));
            }
            Some(text) => return Some(text),
        }
        None
    }

    /// A name by the grammar of [`Name`]; required.
    pub(super) fn name(&mut self, example: &str) -> Option<Name> {
        self.require("name", example);
        let text = self.text("name", example)?;
        match Name::new(text) {
            Ok(name) => return Some(name),
            Err(error) => {
                let fitting = fitting_name(text).map(|name| format!("\nFor example: {name:?}."));
                self.wrong(
                    "name",
                    format!("{} isn't a name", quoted(text)),
                    format!("Allowed: {error}.{}", fitting.unwrap_or_default()),
                );
            }
        }
        None
    }

    /// A path; a relative one is taken from `folder`.
    pub(super) fn path(
        &mut self,
        key: &'static str,
        folder: &Path,
        example: &str,
    ) -> Option<PathBuf> {
        let text = self.text(key, example)?;
        self.as_path(key, text, folder)
    }

    /// The value `text` of `key` as a path.
    pub(super) fn as_path(&self, key: &str, text: &str, folder: &Path) -> Option<PathBuf> {
        if text.contains(char::is_control) {
            let advice = "In double quotes a backslash begins an escape: put the path in single \
                          quotes.";
            self.wrong(key, format!("{key} holds a control character"), advice);
            None
        } else if text.starts_with('~') {
            let message = format!("{key} begins with ~, which only a shell understands");
            self.wrong(key, message, "Write the whole path, beginning with /.");
            None
        } else {
            Some(folder.join(text))
        }
    }

    pub(super) fn flag(&mut self, key: &'static str, default: bool) -> bool {
        let Some(value) = self.take(key) else {
            return default;
        };
        value.get_ref().as_bool().unwrap_or_else(|| {
            self.wrong_kind(key, value.get_ref(), "true or false", &default.to_string());
            default
        })
    }

    /// One of some words; the first is the default.
    pub(super) fn choice<T: Copy>(
        &mut self,
        key: &'static str,
        (word, default): (&str, T),
        others: &[(&str, T)],
    ) -> T {
        let Some(text) = self.text(key, &format!("{word:?}")) else {
            return default;
        };
        if text == word {
            return default;
        }
        if let Some((_, found)) = others.iter().find(|(other, _)| *other == text) {
            return *found;
        }
        let words = others.iter().map(|(other, _)| *other);
        let hint = nearest(text, words.clone().chain([word]))
            .map(|word| format!("Did you mean {word:?}? "))
            .unwrap_or_default();
        let words: String = words.map(|other| format!(", {other:?}")).collect();
        self.wrong(
            key,
            format!("{key} can't be {}", quoted(text)),
            format!("{hint}Allowed: {word:?} (default){words}."),
        );
        default
    }

    fn out_of_range(&self, key: &str, found: &str, allowed: &str) {
        self.wrong(
            key,
            format!("{key} is {}, which is out of range", cut(found)),
            format!("Allowed: {allowed}."),
        );
    }

    /// A finite number, whole or not.
    pub(super) fn number(
        &mut self,
        key: &'static str,
        range: RangeInclusive<f64>,
        unit: &str,
        example: &str,
    ) -> Option<f64> {
        let value = self.take(key)?.get_ref();
        self.as_number(key, value, range, unit, example)
    }

    /// The value of `key` as such a number.
    fn as_number(
        &self,
        key: &str,
        value: &DeValue<'_>,
        range: RangeInclusive<f64>,
        unit: &str,
        example: &str,
    ) -> Option<f64> {
        let (text, number) = match value {
            DeValue::Integer(integer) => (integer.to_string(), whole(integer).map(|n| n as f64)),
            DeValue::Float(float) => (float.to_string(), float.as_str().parse().ok()),
            _ => {
                self.wrong_kind(key, value, "a number without quotes", example);
                return None;
            }
        };
        let number = number.filter(|number| range.contains(number));
        if number.is_none() {
            let allowed = format!("{} to {} {unit}", range.start(), range.end());
            self.out_of_range(key, &text, &allowed);
        }
        number
    }

    /// A time in days, or `word` in quotes for one without end, which gives an inner none.
    pub(super) fn days(
        &mut self,
        key: &'static str,
        range: RangeInclusive<f64>,
        word: &str,
        example: &str,
    ) -> Option<Option<Duration>> {
        let value = self.take(key)?.get_ref();
        let unit = format!("days, or \"{word}\"");
        match value.as_str() {
            Some(text) if text == word => Some(None),
            Some(text) => {
                let allowed = format!("{} to {} {unit}", range.start(), range.end());
                let message = format!("{key} can't be {}", quoted(text));
                let advice = format!("Write it as: {key} = {example}\nAllowed: {allowed}.");
                self.wrong(key, message, advice);
                None
            }
            None => {
                let days = self.as_number(key, value, range, &unit, example)?;
                Some(Some(Duration::from_secs_f64(days * 86_400.0)))
            }
        }
    }

    /// A time in seconds.
    pub(super) fn seconds(
        &mut self,
        key: &'static str,
        default: f64,
        range: RangeInclusive<f64>,
    ) -> Duration {
        let unit = format!("seconds (default {default})");
        let found = self.number(key, range, &unit, &format!("{default:?}"));
        Duration::from_secs_f64(found.unwrap_or(default))
    }

    /// A whole number.
    pub(super) fn count(
        &mut self,
        key: &'static str,
        default: u32,
        range: RangeInclusive<u32>,
    ) -> u32 {
        let Some(value) = self.take(key).map(Spanned::get_ref) else {
            return default;
        };
        let Some(integer) = value.as_integer() else {
            let wanted = "a whole number without quotes";
            self.wrong_kind(key, value, wanted, &default.to_string());
            return default;
        };
        let number = whole(integer).and_then(|number| u32::try_from(number).ok());
        number
            .filter(|number| range.contains(number))
            .unwrap_or_else(|| {
                let allowed = format!("{} to {} (default {default})", range.start(), range.end());
                self.out_of_range(key, &integer.to_string(), &allowed);
                default
            })
    }

    /// A size in bytes: text with a unit, or a plain number.
    pub(super) fn bytes(
        &mut self,
        key: &'static str,
        default: ByteCount,
        range: RangeInclusive<ByteCount>,
    ) -> ByteCount {
        let note = format!(" (default {default})");
        self.size(key, default, range, &note).unwrap_or(default)
    }

    /// The same where there is no default.
    pub(super) fn optional_bytes(
        &mut self,
        key: &'static str,
        example: ByteCount,
        range: RangeInclusive<ByteCount>,
    ) -> Option<ByteCount> {
        self.size(key, example, range, "")
    }

    fn size(
        &mut self,
        key: &'static str,
        example: ByteCount,
        range: RangeInclusive<ByteCount>,
        note: &str,
    ) -> Option<ByteCount> {
        let allowed = format!("{} to {}{note}", range.start(), range.end());
        let value = self.take(key)?.get_ref();
        let found = match value {
            DeValue::String(text) => match text.parse::<ByteCount>() {
                Ok(found) => Some(found),
                Err(error) => {
                    self.wrong(
                        key,
                        format!("{key} can't be {}: {error}", quoted(text)),
                        format!(
                            "Write it as: {key} = \"{example}\"\nAllowed: {allowed}, \
                             in B, kB, MB, GB, TB, KiB, MiB, GiB or TiB."
                        ),
                    );
                    return None;
                }
            },
            DeValue::Integer(integer) => whole(integer)
                .and_then(|bytes| u64::try_from(bytes).ok())
                .map(ByteCount::new),
            _ => {
                let wanted = "a size in quotes";
                self.wrong_kind(key, value, wanted, &format!("\"{example}\""));
                return None;
            }
        };
        let found = found.filter(|found| range.contains(found));
        if found.is_none() {
            let shown = match value {
                DeValue::String(text) => text.trim().to_owned(),
                DeValue::Integer(integer) => format!("{integer} B"),
                _ => String::new(),
            };
            self.out_of_range(key, &shown, &allowed);
        }
        found
    }

    /// A list of texts, each with its place.
    pub(super) fn texts(
        &mut self,
        key: &'static str,
        example: &str,
    ) -> Option<Vec<Spanned<&'a str>>> {
        let value = self.take(key)?.get_ref();
        let Some(list) = value.as_array() else {
            self.wrong_kind(key, value, "a list in brackets", example);
            return None;
        };
        if list.len() > ITEMS_MAX {
            let message = format!("{key} holds {} items", list.len());
            self.wrong(key, message, format!("Allowed: at most {ITEMS_MAX}."));
        }
        let mut texts = Vec::new();
        for item in list.iter().take(ITEMS_MAX) {
            match item.get_ref().as_str() {
                Some(text) => texts.push(Spanned::new(item.span(), text)),
                None => self.report.at(
                    item.span(),
                    format!(
                        "{}: {key} must hold texts in quotes, not {}",
                        self.what,
                        kind(item.get_ref())
                    ),
                    format!("Write it as: {key} = {example}"),
                ),
            }
        }
        Some(texts)
    }

    /// A table of the table: its contents and its place.
    pub(super) fn raw_table(
        &mut self,
        key: &'static str,
        header: &str,
    ) -> Option<(&'a DeTable<'t>, Range<usize>)> {
        let value = self.take(key)?;
        if let Some(table) = value.get_ref().as_table() {
            return Some((table, value.span()));
        }
        let advice = format!("Write {header} on a line of its own and its values below it.");
        let message = format!("{key} must be a table, not {}", kind(value.get_ref()));
        self.wrong(key, message, advice);
        None
    }

    /// A table of the table, to be read further.
    pub(super) fn table(&mut self, key: &'static str, header: &str) -> Option<Fields<'a, 't>> {
        let (table, span) = self.raw_table(key, header)?;
        let what = if self.what.is_empty() {
            format!("[{key}]")
        } else {
            format!("{}, {header}", self.what)
        };
        Some(Fields::new(table, span, what, self.report))
    }

    /// The tables under lines like `header`, named after their `name`, or counted where that
    /// can't be.
    pub(super) fn tables(&mut self, key: &'static str, header: &str) -> Vec<Fields<'a, 't>> {
        let Some(value) = self.take(key) else {
            return Vec::new();
        };
        let tables: Option<Vec<_>> = value.get_ref().as_array().and_then(|items| {
            items
                .iter()
                .map(|item| Some((item.get_ref().as_table()?, item.span())))
                .collect()
        });
        let Some(tables) = tables else {
            self.report.at(
                value.span(),
                self.about(&format!("{key} isn't written as a list of tables")),
                format!("Begin each {key} with a line {header}, in two brackets."),
            );
            return Vec::new();
        };
        if tables.len() > ITEMS_MAX {
            self.report.at(
                value.span(),
                self.about(&format!("{header} occurs {} times", tables.len())),
                format!("Allowed: at most {ITEMS_MAX} times."),
            );
        }
        let named = |(at, (table, span)): (usize, (&'a DeTable<'t>, Range<usize>))| {
            let name = table.iter().find(|(name, _)| name.get_ref() == "name");
            let name = name.and_then(|(_, value)| value.get_ref().as_str());
            let what = name.filter(|name| !name.is_empty()).map(quoted);
            let what = what.unwrap_or_else(|| format!("no. {}", at + 1));
            let outer = if self.what.is_empty() { "" } else { ", " };
            let what = format!("{}{outer}{key} {what}", self.what);
            Fields::new(table, span, what, self.report)
        };
        tables
            .into_iter()
            .take(ITEMS_MAX)
            .enumerate()
            .map(named)
            .collect()
    }

    /// Reports the keys that no getter asked for; `advice` is for keys that are often written in
    /// a wrong place.
    pub(super) fn finish(&self, advice: &[(&str, &str)]) {
        for key in self.table.keys() {
            let name = key.get_ref().as_ref();
            if self.known.contains(&name) {
                continue;
            }
            let own = advice.iter().find(|(wrong, _)| *wrong == name);
            let text = match (own, nearest(name, self.known.iter().copied())) {
                (Some((_, advice)), _) => (*advice).to_owned(),
                (None, Some(near)) => format!("Did you mean {near}?"),
                (None, None) => {
                    format!(
                        "Known here: {}.",
                        listed(self.known.iter().copied(), usize::MAX)
                    )
                }
            };
            let message = self.about(&format!("there is no setting {}", quoted(name)));
            self.report.at(key.span(), message, text);
        }
    }
}

/// `text` made to fit the grammar of names, if enough is left of it.
fn fitting_name(text: &str) -> Option<String> {
    let lower = text.to_lowercase();
    let words = lower
        .split(|c: char| !c.is_ascii_alphanumeric())
        .filter(|word| !word.is_empty());
    let name: String = words
        .collect::<Vec<_>>()
        .join("-")
        .chars()
        .take(63)
        .collect();
    Name::new(&name).ok().map(|name| name.to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn proposed_names_fit() {
        assert_eq!(
            fitting_name("Mast Crane_2").as_deref(),
            Some("mast-crane-2")
        );
        assert_eq!(fitting_name("--"), None);
        assert_eq!(
            fitting_name(&"x".repeat(100)).map(|name| name.len()),
            Some(63)
        );
    }
}
