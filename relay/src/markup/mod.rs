//! Pages as they begin, look and end: what `forebay coverage`, `try` and `lapse` write for a browser.
//!
//! A page needs nothing else: no script, no font, no picture from elsewhere, and its policy allows
//! none. It is well-formed XML too.

use std::fmt::{self, Write as _};

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;

/// How every page looks; each adds its own to it.
pub(crate) const BASE: &str = include_str!("base.css");

/// Whether a page has pictures in itself.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Images {
    /// It has none.
    None,
    /// As `data:` addresses.
    Embedded,
}

/// A page as it is written.
#[derive(Debug)]
pub(crate) struct Markup(String);

impl Markup {
    /// Begins a part of a page.
    pub(crate) fn part() -> Self {
        Self(String::new())
    }

    /// What has been written.
    pub(crate) fn into_string(self) -> String {
        self.0
    }

    /// Begins a page, up to the open body.
    pub(crate) fn page(title: &str, style: &str, images: Images) -> Self {
        let mut page = Self(String::new());
        page.raw(
            "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\"/>\n\
             <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\"/>\n\
             <meta name=\"referrer\" content=\"no-referrer\"/>\n\
             <meta http-equiv=\"Content-Security-Policy\" \
             content=\"default-src 'none'; style-src 'unsafe-inline'",
        );
        page.raw(match images {
            Images::None => "",
            Images::Embedded => "; img-src data:",
        });
        page.raw("\"/>\n");
        page.text("title", title);
        for part in ["<style>\n", BASE, style, "</style>\n</head>\n<body>\n"] {
            page.raw(part);
        }
        page
    }

    /// Ends it, with a footer that says what made it. `made`: what else there is to say, as markup.
    pub(crate) fn end(mut self, made: &str) -> String {
        let version = env!("CARGO_PKG_VERSION");
        writeln!(
            self,
            "<footer>{made} by forebay {version}.</footer>\n</body>\n</html>"
        )
        .ok();
        self.0
    }

    /// Markup or text that is already escaped.
    pub(crate) fn raw(&mut self, markup: &str) {
        self.0.push_str(markup);
    }

    /// An element with text. `open`: its name and attributes.
    pub(crate) fn text(&mut self, open: &str, text: &str) {
        let name = open.split(' ').next().unwrap_or(open);
        writeln!(self.0, "<{open}>{}</{name}>", escaped(text)).ok();
    }
}

impl fmt::Write for Markup {
    fn write_str(&mut self, markup: &str) -> fmt::Result {
        self.0.write_str(markup)
    }
}

/// Text for an element or a quoted attribute. Characters that XML can't hold are left out.
pub(crate) fn escaped(text: &str) -> String {
    let mut escaped = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => escaped.push_str("&amp;"),
            '<' => escaped.push_str("&lt;"),
            '>' => escaped.push_str("&gt;"),
            '"' => escaped.push_str("&quot;"),
            '\'' => escaped.push_str("&#39;"),
            '\u{fffe}' | '\u{ffff}' => {}
            c if c.is_control() && c != '\n' => {}
            c => escaped.push(c),
        }
    }
    escaped
}

/// A JPEG within a page.
pub(crate) fn embedded(jpeg: &[u8]) -> String {
    format!("data:image/jpeg;base64,{}", STANDARD.encode(jpeg))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn read(page: &str) -> roxmltree::Document<'_> {
        let options = roxmltree::ParsingOptions {
            allow_dtd: true,
            ..Default::default()
        };
        roxmltree::Document::parse_with_options(page, options).unwrap()
    }

    #[test]
    fn a_page_allows_nothing_from_elsewhere() {
        for (images, policy) in [
            (
                Images::None,
                "default-src 'none'; style-src 'unsafe-inline'",
            ),
            (
                Images::Embedded,
                "default-src 'none'; style-src 'unsafe-inline'; img-src data:",
            ),
        ] {
            let page = Markup::page("Gate", ".own { color: red; }", images).end("Made");
            let page = read(&page);
            let meta = page
                .descendants()
                .find(|node| node.attribute("http-equiv") == Some("Content-Security-Policy"));
            assert_eq!(meta.unwrap().attribute("content"), Some(policy));
            let style = page.descendants().find(|node| node.has_tag_name("style"));
            let style = style.unwrap().text().unwrap().trim_start();
            // A page's own comes last: it may say otherwise.
            assert!(style.starts_with(BASE) && style.ends_with(".own { color: red; }"));
            assert!(!BASE.contains("url(") && !BASE.contains("@import"));
        }
    }

    proptest! {
        #[test]
        fn any_text_reads_back(text in "\\PC{0,40}", odd in any::<char>()) {
            let text = format!("{text}<&\"'>{odd}");
            let mut page = Markup::page(&text, "", Images::None);
            page.raw(&format!("<p title=\"{}\"/>", escaped(&text)));
            let page = page.end("Made");
            let page = read(&page);
            let kept = |c: &char| !c.is_control() && !matches!(c, '\u{fffe}' | '\u{ffff}');
            let kept: String = text.chars().filter(kept).collect();
            let title = page.descendants().find(|node| node.has_tag_name("title"));
            // A line's end is one character in XML, and an attribute has none.
            let plain = |text: &str| text.replace('\n', "");
            prop_assert_eq!(plain(title.unwrap().text().unwrap()), kept.clone());
            let p = page.descendants().find(|node| node.has_tag_name("p"));
            let attribute = p.unwrap().attribute("title").unwrap().trim_end_matches(' ').to_owned();
            prop_assert_eq!(attribute, kept.trim_end_matches(' '));
        }
    }
}
