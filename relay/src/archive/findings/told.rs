//! What a camera's analyzers have seen in a window, as people want it told.

use std::path::Path;

use super::{Edged, Edges, Episode, Episodes, Kind, Passed, each};
use crate::archive::catalog::{Catalog, CatalogError};
use crate::archive::disk::Disk;
use crate::archive::ledger::Span;
use crate::units::{CameraName, CaptureTime};

/// So far around the window all findings are read. Begins and ends of states that are further off
/// are looked for one by one.
const MARGIN_NANOS: i64 = 24 * 3600 * 1_000_000_000;

/// What is asked for, and where it lies.
#[derive(Clone, Copy)]
pub struct Asked<'a> {
    /// What both are on.
    pub disk: &'a dyn Disk,
    /// Where files have their final names.
    pub archive: &'a Path,
    /// Where they wait for them.
    pub spool: &'a Path,
    /// Tells of states that began or ended far away; without it they are told with one end.
    pub catalog: Option<&'a Catalog>,
    /// Whose.
    pub camera: &'a CameraName,
    /// When.
    pub window: Span,
    /// Which sinks and kinds.
    pub wants: &'a dyn Fn(&Kind) -> bool,
    /// Only of this score or more.
    pub min_score: f64,
}

impl std::fmt::Debug for Asked<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Asked")
            .field("camera", &self.camera)
            .field("window", &self.window)
            .finish_non_exhaustive()
    }
}

/// Calls back with what was seen, in order, and with what the catalog says where it fails.
pub fn told(
    asked: &Asked<'_>,
    failed: &dyn Fn(CatalogError),
    take: &mut dyn FnMut(Episode),
) -> Passed {
    let Asked {
        disk,
        archive,
        spool,
        camera,
        window,
        wants,
        ..
    } = *asked;
    let edges = asked
        .catalog
        .map(|catalog| Edges::new(catalog, disk, (archive, spool), camera));
    let around = |time: CaptureTime, nanos: i64| {
        CaptureTime::from_unix_nanos(time.unix_nanos().saturating_add(nanos))
    };
    let wide = Span {
        begin: around(window.begin, -MARGIN_NANOS),
        end: around(window.end, MARGIN_NANOS),
    };
    let is_over = |episode: &Episode| {
        let begin = episode.first();
        let edges = edges.filter(|_| begin < wide.begin);
        let cut_off = edges.map(|edges| edges.is_cut_off(begin, wide.begin));
        cut_off.and_then(|known| known.map_err(failed).ok()) == Some(true)
    };
    let mut episodes = Episodes::default();
    let mut tell = |episode: Episode, last: bool| {
        // What has no end, and is followed by the next of its kind, is told by its begin.
        let until = match (episode.end, last && episode.lasts) {
            (Some(end), _) => end,
            (None, true) if is_over(&episode) => episode.first(),
            (None, true) => CaptureTime::from_unix_nanos(i64::MAX),
            (None, false) => episode.first(),
        };
        let within = episode.first() < window.end && until >= window.begin;
        if within && episode.score >= asked.min_score {
            take(episode);
        }
    };
    let look = |look: &dyn Fn(Edges<'_>) -> Result<Edged, CatalogError>| {
        let known = edges.and_then(|edges| look(edges).map_err(failed).ok());
        known.unwrap_or_default()
    };
    let before = look(&|edges| edges.open_at(wide.begin, wants));
    for begin in before.edges {
        episodes.push(begin);
    }
    let mut passed = each(disk, (archive, spool), camera, wide, &mut |finding| {
        let kind = (finding.sink.clone(), finding.kind.clone());
        if wants(&kind)
            && let Some(episode) = episodes.push(finding)
        {
            tell(episode, false);
        }
    });
    let after = look(&|edges| edges.next(wide.end, &|kind| episodes.is_open(kind)));
    for edge in after.edges {
        if let Some(episode) = episodes.push(edge) {
            tell(episode, false);
        }
    }
    for episode in episodes.finish() {
        tell(episode, true);
    }
    passed.unreadable_files += before.unreadable_files + after.unreadable_files;
    passed
}
