//! Footage that goes, as few spans as tell the same.

use super::Footage;
use super::account::SLACK;
use super::spans::later;

/// No span gets longer by joining: the catalog looks for spans that begin two days before a window.
const JOINED_MAX: i64 = 24 * 3600 * 1_000_000_000;

/// Joins what an account would take for one piece: what follows within a sample and some slack, of
/// samples of about the same length.
#[must_use]
pub fn join(mut footage: Vec<Footage>) -> Vec<Footage> {
    footage.sort_unstable();
    let mut joined: Vec<Footage> = Vec::new();
    for Footage { span, frame_nanos } in footage {
        match joined.last_mut() {
            Some(last)
                if span.begin
                    <= later(last.span.end, last.frame_nanos.min(frame_nanos) + SLACK)
                    && span.end <= later(last.span.begin, JOINED_MAX)
                    && frame_nanos.abs_diff(last.frame_nanos) <= SLACK.unsigned_abs() =>
            {
                last.span.end = last.span.end.max(span.end);
                last.frame_nanos = last.frame_nanos.min(frame_nanos);
            }
            _ => joined.push(Footage { span, frame_nanos }),
        }
    }
    joined
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::archive::ledger::spans::tests::span;
    use crate::archive::ledger::total_nanos;

    const MS: i64 = 1_000_000;

    #[test]
    fn a_day_of_files_is_one_piece_and_a_hole_parts_it() {
        let of = |begin, end| Footage {
            span: span(begin * MS, end * MS),
            frame_nanos: 40 * MS,
        };
        let files = vec![of(0, 60_000), of(60_010, 120_000), of(125_000, 180_000)];
        assert_eq!(join(files), [of(0, 120_000), of(125_000, 180_000)]);
    }

    proptest! {
        #[test]
        fn nothing_is_lost_and_little_is_added(
            pieces in prop::collection::vec((0i64..5000, 1i64..300, 0i64..200), 0..20)
        ) {
            let footage: Vec<_> = pieces
                .into_iter()
                .map(|(begin, length, frame)| Footage {
                    span: span(begin * MS, (begin + length) * MS),
                    frame_nanos: frame * MS,
                })
                .collect();
            let joined = join(footage.clone());
            for piece in &footage {
                let inside = |j: &Footage| {
                    j.span.begin <= piece.span.begin && piece.span.end <= j.span.end
                };
                prop_assert!(joined.iter().any(inside));
            }
            let set = |f: &[Footage]| super::super::union(f.iter().map(|f| f.span).collect());
            let added = total_nanos(&set(&joined)) - total_nanos(&set(&footage));
            prop_assert!(added <= footage.len() as i64 * (200 * MS + SLACK));
        }
    }
}
