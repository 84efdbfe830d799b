//! Strips for the pages of the running relay.

use jiff::tz::TimeZone;

use super::days::{Day, length_nanos};
use super::strip::{self, Scale};

pub(crate) use super::html::DEFINITIONS;
pub(crate) use super::html::legend;

/// Most gaps that are drawn of a day.
const SLIVERS_MAX: usize = 400;

/// Draws a day over the whole width. `label` names the picture for those who can't see it.
pub(crate) fn day(day: &Day, zone: &TimeZone, label: &str) -> String {
    let scale = Scale {
        zone,
        width_nanos: length_nanos(day.whole).max(1),
        merge_nanos: strip::merge_nanos(std::iter::once(day), SLIVERS_MAX),
    };
    scale.draw(day, label)
}

/// The hours below it; nothing for a day with hours of its own, which has them in itself.
pub(crate) fn axis(day: &Day) -> String {
    match length_nanos(day.whole) {
        length if length == 24 * strip::HOUR => strip::axis(length),
        _ => String::new(),
    }
}
