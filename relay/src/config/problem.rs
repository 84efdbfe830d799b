//! What is wrong with a configuration, put so that it can be repaired.

use std::cell::RefCell;
use std::fmt;
use std::ops::Range;
use std::path::{Path, PathBuf};

use super::excerpt::{Excerpt, Excerpts};

/// Most problems of a file that are collected: one with more is something else.
const PROBLEMS_MAX: usize = 100;

/// Whether the relay can start in spite of a [`Problem`].
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Severity {
    /// It can't.
    Error,
    /// It can, but something isn't as it should be.
    Warning,
}

/// One thing that is wrong. Display shows it whole, on several lines; no secret is in it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problem {
    /// Whether it keeps the relay from starting.
    pub severity: Severity,
    /// Where in the file; nothing for what lies outside of it.
    pub place: Option<Place>,
    /// What is wrong: one line.
    pub message: String,
    /// What is allowed and what to do: lines of text.
    pub advice: String,
}

/// A place in the configuration file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Place {
    path: PathBuf,
    excerpt: Excerpt,
}

impl Place {
    /// The line, from 1.
    #[must_use]
    pub fn line(&self) -> usize {
        self.excerpt.line
    }

    /// The column in characters, from 1.
    #[must_use]
    pub fn column(&self) -> usize {
        self.excerpt.column
    }
}

impl Problem {
    pub(super) fn new(message: impl Into<String>, advice: impl Into<String>) -> Self {
        Self {
            severity: Severity::Error,
            place: None,
            message: message.into(),
            advice: advice.into(),
        }
    }

    pub(super) fn warning(message: impl Into<String>, advice: impl Into<String>) -> Self {
        Self {
            severity: Severity::Warning,
            ..Self::new(message, advice)
        }
    }
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some(place) = &self.place {
            write!(
                f,
                "{}:{}:{}: ",
                place.path.display(),
                place.line(),
                place.column()
            )?;
        }
        let word = match self.severity {
            Severity::Error => "error",
            Severity::Warning => "warning",
        };
        writeln!(f, "{word}: {}", self.message)?;
        if let Some(Place { excerpt, .. }) = &self.place {
            let number = excerpt.line.to_string();
            let margin = " ".repeat(number.len());
            let indent = " ".repeat(excerpt.marked.start);
            writeln!(f, "  {number} | {}", excerpt.shown)?;
            writeln!(
                f,
                "  {margin} | {indent}{}",
                "^".repeat(excerpt.marked.len())
            )?;
        }
        for line in self.advice.lines() {
            let indent = if line.is_empty() { "" } else { "  " };
            writeln!(f, "{indent}{line}")?;
        }
        Ok(())
    }
}

/// Everything that is wrong with a configuration file. Display shows all of it.
#[derive(Debug, Clone)]
pub struct ConfigError {
    path: PathBuf,
    problems: Vec<Problem>,
}

impl ConfigError {
    pub(super) fn new(path: &Path, problems: Vec<Problem>) -> Self {
        Self {
            path: path.to_owned(),
            problems,
        }
    }

    /// The file.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// The problems in the order of the file's lines; never empty.
    #[must_use]
    pub fn problems(&self) -> &[Problem] {
        &self.problems
    }
}

impl fmt::Display for ConfigError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for problem in &self.problems {
            writeln!(f, "{problem}")?;
        }
        let count = self.problems.len();
        let many = if count == 1 { "problem" } else { "problems" };
        let or_more = if count == PROBLEMS_MAX {
            " or more"
        } else {
            ""
        };
        write!(f, "{count}{or_more} {many} in {}", self.path.display())
    }
}

impl std::error::Error for ConfigError {}

/// Where the readers of the file put what they find. Collecting goes on after a finding, so that
/// one run tells everything.
#[derive(Default)]
pub(super) struct Report {
    findings: RefCell<Vec<Finding>>,
}

struct Finding {
    span: Option<Range<usize>>,
    message: String,
    advice: String,
    secret: bool,
    /// What it contradicts.
    first: Option<Range<usize>>,
}

impl Finding {
    fn new(
        span: Option<Range<usize>>,
        message: impl Into<String>,
        advice: impl Into<String>,
    ) -> Self {
        let (message, advice) = (message.into(), advice.into());
        Self {
            span,
            message,
            advice,
            secret: false,
            first: None,
        }
    }
}

impl Report {
    /// A problem at bytes `span` of the text.
    pub(super) fn at(
        &self,
        span: Range<usize>,
        message: impl Into<String>,
        advice: impl Into<String>,
    ) {
        self.push(Finding::new(Some(span), message, advice));
    }

    /// The same for what can't be there beside an earlier part of the text, `first`.
    pub(super) fn at_second(
        &self,
        span: Range<usize>,
        first: Range<usize>,
        message: impl Into<String>,
        advice: impl Into<String>,
    ) {
        self.push(Finding {
            first: Some(first),
            ..Finding::new(Some(span), message, advice)
        });
    }

    /// The same, where the value is or may be a secret and must not be shown.
    pub(super) fn at_secret(
        &self,
        span: Range<usize>,
        message: impl Into<String>,
        advice: impl Into<String>,
    ) {
        self.push(Finding {
            secret: true,
            ..Finding::new(Some(span), message, advice)
        });
    }

    /// A problem of the file as a whole.
    pub(super) fn whole(&self, message: impl Into<String>, advice: impl Into<String>) {
        self.push(Finding::new(None, message, advice));
    }

    fn push(&self, finding: Finding) {
        if !self.is_full() {
            self.findings.borrow_mut().push(finding);
        }
    }

    /// Whether nothing more is collected, so that looking for more is idle.
    pub(super) fn is_full(&self) -> bool {
        self.findings.borrow().len() >= PROBLEMS_MAX
    }

    pub(super) fn is_empty(&self) -> bool {
        self.findings.borrow().is_empty()
    }

    pub(super) fn into_error(self, text: &str, path: &Path) -> ConfigError {
        let mut findings = self.findings.into_inner();
        findings.sort_by_key(|finding| finding.span.as_ref().map_or(usize::MAX, |s| s.start));
        let secrets = findings.iter().filter(|finding| finding.secret);
        let excerpts = Excerpts::new(text, secrets.filter_map(|finding| finding.span.clone()));
        let problem = |finding: Finding| {
            let first = finding.first.map(|first| excerpts.at(&first).line);
            let first = first.map(|line| format!("The first is on line {line}. "));
            Problem {
                severity: Severity::Error,
                place: finding.span.map(|span| Place {
                    path: path.to_owned(),
                    excerpt: excerpts.at(&span),
                }),
                message: finding.message,
                advice: first.unwrap_or_default() + &finding.advice,
            }
        };
        ConfigError::new(path, findings.into_iter().map(problem).collect())
    }
}
