//! What an analyzer says that it wants: checked before anything is decoded for it. Pure.

use super::bindings::analyzer::forebay::plugin::pictures;
use crate::pictures::{PixelFormat, Request, Source};

/// No camera sends more pictures a second, and a larger number is a unit mistaken.
const RATE_MAX: f64 = 60.0;
/// Pixels; more than the widest camera sends.
const LONGEST_SIDE_MAX: u32 = 8192;

/// What an analyzer wants, and what it publishes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Wish {
    /// The pictures.
    pub request: Request,
    /// 0 to 1: findings of a lower score are not published.
    pub minimum_score: f64,
}

impl Wish {
    /// Reads the answer to `configure`. The error is for the plugin's author.
    pub(super) fn read(answer: &pictures::Request) -> Result<Self, String> {
        let pictures::Request {
            rate,
            longest_side,
            format,
            source,
            minimum_score,
        } = answer;
        if !(0.0..=RATE_MAX).contains(rate) {
            return Err(format!(
                "it asks for a `rate` of {rate}; allowed: 0 to {RATE_MAX} pictures a second"
            ));
        }
        if *longest_side > LONGEST_SIDE_MAX {
            return Err(format!(
                "it asks for a `longest-side` of {longest_side}; allowed: 0 (the camera's size) to \
                 {LONGEST_SIDE_MAX} pixels"
            ));
        }
        if !(0.0..=1.0).contains(minimum_score) {
            return Err(format!(
                "it gives a `minimum-score` of {minimum_score}; allowed: 0 to 1"
            ));
        }
        let request = Request {
            // Zero has a sign, which nobody means.
            rate: rate.abs(),
            longest_side: *longest_side,
            format: word(
                "format",
                format,
                &[PixelFormat::Gray8, PixelFormat::Rgb8, PixelFormat::I420],
                PixelFormat::as_str,
            )?,
            source: word(
                "source",
                source,
                &[Source::Analysis, Source::Main],
                Source::as_str,
            )?,
        };
        Ok(Self {
            request,
            minimum_score: minimum_score.abs(),
        })
    }
}

/// The one of `known` that goes by that name.
fn word<T: Copy>(
    field: &str,
    said: &str,
    known: &[T],
    name: fn(T) -> &'static str,
) -> Result<T, String> {
    let found = known.iter().copied().find(|one| name(*one) == said);
    found.ok_or_else(|| {
        let all: Vec<_> = known
            .iter()
            .map(|one| format!("\"{}\"", name(*one)))
            .collect();
        let shown: String = said.chars().take(40).collect();
        format!(
            "it asks for the `{field}` {shown:?}; allowed: {}",
            all.join(", ")
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn answer() -> pictures::Request {
        pictures::Request {
            rate: 2.0,
            longest_side: 640,
            format: "gray8".into(),
            source: "analysis".into(),
            minimum_score: 0.5,
        }
    }

    #[test]
    fn a_wish_is_read() {
        let wish = Wish::read(&answer()).unwrap();
        let request = Request {
            rate: 2.0,
            longest_side: 640,
            format: PixelFormat::Gray8,
            source: Source::Analysis,
        };
        assert_eq!((wish.request, wish.minimum_score), (request, 0.5));
    }

    #[test]
    fn what_cannot_be_meant_is_refused_in_words() {
        type Change = fn(&mut pictures::Request);
        let cases: [(Change, &str); 9] = [
            (|r| r.rate = f64::NAN, "`rate` of NaN"),
            (|r| r.rate = f64::INFINITY, "`rate` of inf"),
            (|r| r.rate = -1.0, "`rate` of -1"),
            (|r| r.rate = 60.5, "0 to 60"),
            (|r| r.longest_side = 8193, "`longest-side` of 8193"),
            (|r| r.format = "yuv".into(), "\"gray8\", \"rgb8\", \"i420\""),
            (|r| r.source = "Main".into(), "\"analysis\", \"main\""),
            (|r| r.minimum_score = 1.5, "`minimum-score` of 1.5"),
            (|r| r.minimum_score = f64::NAN, "`minimum-score` of NaN"),
        ];
        for (change, words) in cases {
            let mut answer = answer();
            change(&mut answer);
            let error = Wish::read(&answer).unwrap_err();
            assert!(error.contains(words), "{error}");
        }
    }
}
