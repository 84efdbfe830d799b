//! What is recorded, what is missing, and what was seen: the same objects as `forebay coverage` and
//! `forebay findings` write.

use std::sync::Arc;

use axum::body::Body;
use axum::http::{StatusCode, Uri, header};
use axum::response::Response;
use serde::Serialize;

use super::desk::Stop;
use super::error::Problem;
use super::limits::{COVERAGE_NANOS_MAX, FINDINGS_NANOS_MAX};
use super::query::{Query, shown};
use super::roll::Spot;
use super::shop::Shop;
use crate::archive::catalog::Catalog;
use crate::archive::findings::{Asked, Passed, Row, each, is_kind, told, utc};
use crate::archive::ledger::Span;
use crate::config::Site;
use crate::coverage::{AccountError, Sheet, SiteAccounts, accounts, json, nothing};
use crate::units::{CameraName, CaptureTime, Name, SinkName};

/// Where no `from` is given.
const DAY_NANOS: i64 = 24 * 3600 * 1_000_000_000;
/// Findings in one answer; what is more has to be asked for in shorter stretches.
const ROWS_MAX: usize = 20_000;

/// # Errors
/// Where the catalog can't be read.
pub(super) async fn coverage(shop: &Shop, spot: &Spot, uri: &Uri) -> Result<Response, Problem> {
    let query = Query::of(uri, &["from", "to"])?;
    let now = CaptureTime::now();
    let asked = query.window(&spot.site, now, Some(DAY_NANOS), COVERAGE_NANOS_MAX)?;
    let (site, camera) = (spot.site.clone(), spot.name.clone());
    let disk = Arc::clone(&shop.disk);
    let (archive, spool) = (shop.archive.clone(), shop.spool.clone());
    let told = shop.desk.run(move |_| {
        let mut account = accounts(&spool)?;
        let known = account(&camera, asked)?;
        let known = known.unwrap_or_else(|| nothing(&camera, &site, asked));
        let mut sheet = Sheet::new(
            now,
            vec![SiteAccounts {
                site: site.name.clone(),
                time_zone: site.time_zone.clone(),
                time_zone_name: site.time_zone_name.clone(),
                asked,
                accounts: vec![known],
            }],
        );
        for camera_sheet in sheet.sites.iter_mut().flat_map(|site| &mut site.cameras) {
            // Stills are told of by findings; what is passed over is one less.
            each(&*disk, (&archive, &spool), &camera, asked, &mut |finding| {
                camera_sheet.stills.note(&finding, &site.time_zone);
            });
        }
        Ok(json::write(&sheet).unwrap_or_default())
    });
    let told: Result<String, AccountError> = told.await?;
    match told {
        Ok(text) => Ok(object(text)),
        Err(error) => {
            tracing::warn!(%error, "the account can't be read");
            Err(Problem::later(
                "no account",
                "the relay's catalog can't be read now",
                "Try again in a moment; the relay's log says what is wrong with it.",
                10,
            ))
        }
    }
}

/// What is told of a camera.
#[derive(Serialize)]
struct Document<'a> {
    format: &'static str,
    version: u32,
    made: String,
    site: &'a str,
    time_zone: &'a str,
    camera: &'a str,
    begin: String,
    end: String,
    findings: &'a [serde_json::Value],
    /// There are more, which this does not tell.
    truncated: bool,
    damaged_lines: u64,
    unreadable_files: u64,
}

/// # Errors
/// Where a parameter is wrong.
pub(super) async fn findings(shop: &Shop, spot: &Spot, uri: &Uri) -> Result<Response, Problem> {
    let query = Query::of(uri, &["from", "to", "kind", "sink"])?;
    let now = CaptureTime::now();
    let asked = query.window(&spot.site, now, Some(DAY_NANOS), FINDINGS_NANOS_MAX)?;
    let word = |name: &str, is_one: fn(&str) -> bool, advice: &str| match query.get(name) {
        Some(text) if !is_one(text) => {
            let detail = format!("{name}={} can't be one", shown(text));
            Err(Problem::bad(detail, advice))
        }
        given => Ok(given.map(str::to_owned)),
    };
    let kind = "It has characters a-z, 0-9 and '-', and begins with a letter.";
    let kind = word("kind", is_kind, kind)?;
    let sink = "It has characters a-z, 0-9 and '-'.";
    let sink = word("sink", |text| Name::new(text).is_ok(), sink)?;
    let (site, camera) = (spot.site.clone(), spot.name.clone());
    let disk = Arc::clone(&shop.disk);
    let (archive, spool) = (shop.archive.clone(), shop.spool.clone());
    let written = shop.desk.run(move |stop: &Stop| {
        // Without it states that began far away are told with one end.
        let catalog = Catalog::open_to_read(&spool).ok();
        let wants = |(of, what): &(SinkName, String)| {
            kind.as_ref().is_none_or(|kind| kind == what)
                && sink.as_ref().is_none_or(|sink| sink == of.as_str())
        };
        let asked_for = Asked {
            disk: &*disk,
            archive: &archive,
            spool: &spool,
            catalog: catalog.as_ref(),
            camera: &camera,
            window: asked,
            wants: &wants,
            min_score: 0.0,
        };
        let (mut rows, mut more) = (Vec::new(), false);
        let failed = |error| tracing::debug!(%error, "a state is told with one end");
        let passed = told(&asked_for, &failed, &mut |episode| {
            if rows.len() >= ROWS_MAX || stop.is_asked() {
                more = true;
            } else if let Ok(row) = serde_json::to_value(Row::from(&episode)) {
                rows.push(row);
            }
        });
        document(&site, &camera, asked, (&rows, more), passed)
    });
    written.await?.map(object).map_err(|error| {
        tracing::error!(%error, "findings can't be written");
        Problem::new(
            StatusCode::INTERNAL_SERVER_ERROR,
            "the relay has a defect here",
            "the findings could not be told",
            "Report it with the relay's log lines of this moment.",
        )
    })
}

fn document(
    site: &Site,
    camera: &CameraName,
    asked: Span,
    (findings, truncated): (&[serde_json::Value], bool),
    passed: Passed,
) -> Result<String, serde_json::Error> {
    serde_json::to_string(&Document {
        format: "forebay-camera-findings",
        version: 1,
        made: utc(CaptureTime::now()),
        site: site.name.as_str(),
        time_zone: &site.time_zone_name,
        camera: camera.as_str(),
        begin: utc(asked.begin),
        end: utc(asked.end),
        findings,
        truncated,
        damaged_lines: passed.damaged_lines,
        unreadable_files: passed.unreadable_files,
    })
}

/// An object of JSON.
pub(super) fn object(text: String) -> Response {
    let mut response = Response::new(Body::from(text));
    let kind = axum::http::HeaderValue::from_static("application/json");
    response.headers_mut().insert(header::CONTENT_TYPE, kind);
    response
}
