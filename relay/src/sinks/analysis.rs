//! Analyzers: an instance that is shown pictures, and what feeds it.

use std::sync::Arc;

use super::bindings::analyzer::forebay::plugin::pictures;
use super::bindings::analyzer::{Analyzer, AnalyzerPre};
use super::cell::{Cell, EndedInstance, Usage, configured};
use super::engine::Engine;
use super::reporter::Reporter;
use super::request::Wish;
use super::runner::Feed;
use super::sandbox::Sandbox;
use super::sieve::Scene;
use super::stderr::one_line;
use super::surroundings::Surroundings;
use crate::pictures::{Picture, PictureBoard, Plane, Source, Subscription};
use crate::telemetry::{EndReason, SinkEvents};
use crate::units::{CameraName, CaptureTime};

/// A step back of the clock by more than this ends an instance, and with it the states that it has
/// found: one that waits for times to reach where they were would see nothing until then, which may
/// be years where a computer began with a wrong clock.
const CLOCK_BACK_NANOS: i64 = 5_000_000_000;

/// An analyzer.
#[derive(Debug)]
pub struct AnalyzerInstance {
    cell: Cell<Analyzer>,
    camera: CameraName,
    wish: Wish,
    /// The stream that its pictures come from.
    source: Source,
    reporter: Reporter,
}

impl AnalyzerInstance {
    pub(super) async fn start(
        engine: &Engine,
        pre: &AnalyzerPre<Sandbox>,
        surroundings: &Surroundings,
    ) -> Result<Self, EndedInstance> {
        let mut cell = Cell::new(engine, surroundings, async |store| {
            pre.instantiate_async(store).await
        })
        .await?;
        let configuration = surroundings.configuration()?;
        let answer = cell
            .call(async |guest, store| guest.call_configure(store, &configuration).await)
            .await?;
        let wish = configured(answer.and_then(|answer| Wish::read(&answer)))?;
        let reporter = Reporter::new(
            surroundings.camera.clone(),
            surroundings.sink.name.clone(),
            wish.minimum_score,
            surroundings.tell.clone(),
            CaptureTime::from_unix_nanos(i64::MIN),
        );
        Ok(Self {
            cell,
            camera: surroundings.camera.clone(),
            source: wish.request.source,
            wish,
            reporter,
        })
    }

    /// What it wants to see.
    #[must_use]
    pub fn wish(&self) -> Wish {
        self.wish
    }

    /// Shows it a picture; what it finds is passed on. The inner error is the plugin's own: it
    /// goes on.
    ///
    /// # Errors
    /// The instance is over.
    pub async fn analyze(
        &mut self,
        picture: &Picture,
    ) -> Result<Result<(), String>, EndedInstance> {
        self.source = picture.source;
        let scene = self.beside(picture.captured);
        let shown = shown(&self.camera, picture);
        let answer = self
            .cell
            .call(async |guest, store| guest.call_analyze(store, &shown).await)
            .await?;
        Ok(match answer {
            Ok(findings) => {
                self.reporter.take(findings, scene, self.cell.sandbox());
                Ok(())
            }
            Err(text) => Err(one_line(&text)),
        })
    }

    /// A second has passed.
    ///
    /// # Errors
    /// The instance is over.
    pub async fn tick(&mut self, now: CaptureTime) -> Result<(), EndedInstance> {
        let findings = self
            .cell
            .call(async |guest, store| guest.call_tick(store, now.unix_nanos()).await)
            .await?;
        let scene = self.beside(now);
        self.reporter.take(findings, scene, self.cell.sandbox());
        Ok(())
    }

    /// Last call. States that it leaves open are ended.
    ///
    /// # Errors
    /// The instance did not end as it should; it is over all the same.
    pub async fn stop(&mut self, now: CaptureTime) -> Result<(), EndedInstance> {
        let findings = self
            .cell
            .call(async |guest, store| guest.call_stop(store).await)
            .await?;
        let scene = self.beside(now);
        self.reporter.take(findings, scene, self.cell.sandbox());
        Ok(())
    }

    /// The instants of which it has asked for the picture since the last time.
    pub fn asked(&mut self) -> Vec<CaptureTime> {
        self.cell.sandbox_mut().asked.drain(..).collect()
    }

    /// What it has used up so far.
    #[must_use]
    pub fn usage(&self) -> Usage {
        self.cell.usage()
    }

    /// What is found without a picture.
    fn beside(&self, now: CaptureTime) -> Scene {
        Scene {
            at: now,
            source: self.source,
        }
    }
}

/// A picture as the guest gets it.
fn shown(camera: &CameraName, picture: &Picture) -> pictures::Picture {
    let plane = |plane: &Plane| pictures::Plane {
        width: plane.width,
        height: plane.height,
        stride: plane.stride,
        bytes: plane.bytes.to_vec(),
    };
    pictures::Picture {
        camera: camera.to_string(),
        sequence: picture.sequence,
        captured: picture.captured.unix_nanos(),
        uncertainty: picture.uncertainty_nanos,
        asked: picture.asked.map(CaptureTime::unix_nanos),
        source: picture.source.as_str().to_owned(),
        random_access: picture.random_access,
        width: picture.width,
        height: picture.height,
        camera_width: picture.camera_width,
        camera_height: picture.camera_height,
        format: picture.format.as_str().to_owned(),
        planes: picture.planes.iter().map(plane).collect(),
    }
}

/// Feeds analyzers from a camera's board.
#[derive(Debug)]
pub(super) struct PictureFeed {
    board: PictureBoard,
    events: SinkEvents,
    /// While there is an instance: nothing is decoded for one that isn't there.
    subscription: Option<Subscription>,
    next: Option<Arc<Picture>>,
    ticked: CaptureTime,
}

impl PictureFeed {
    pub(super) fn new(board: PictureBoard, events: SinkEvents) -> Self {
        Self {
            board,
            events,
            subscription: None,
            next: None,
            ticked: CaptureTime::from_unix_nanos(i64::MIN),
        }
    }

    /// After each call: what the instance has asked, and what it was too slow for.
    fn settle(&mut self, instance: &mut AnalyzerInstance) {
        if let Some(subscription) = &mut self.subscription {
            for at in instance.asked() {
                subscription.ask(at);
            }
            self.events.pictures_lost(subscription.dropped());
        }
    }
}

impl Feed for PictureFeed {
    type Instance = AnalyzerInstance;

    fn begin(&mut self, instance: &mut AnalyzerInstance) {
        self.events.analyzes();
        let subscription = self.board.subscribe(instance.wish().request);
        instance.source = subscription.source();
        self.subscription = Some(subscription);
        self.settle(instance);
    }

    async fn ready(&mut self) {
        match &mut self.subscription {
            Some(subscription) if self.next.is_none() => {
                self.next = Some(subscription.next().await);
            }
            Some(_) => {}
            None => std::future::pending().await,
        }
    }

    async fn hand_over(&mut self, instance: &mut AnalyzerInstance) -> Result<(), EndedInstance> {
        let Some(picture) = self.next.take() else {
            return Ok(());
        };
        if let Err(text) = instance.analyze(&picture).await? {
            self.events.plugin_error(&text);
        }
        self.events.shown();
        self.settle(instance);
        Ok(())
    }

    async fn tick(
        &mut self,
        instance: &mut AnalyzerInstance,
        now: CaptureTime,
    ) -> Result<(), EndedInstance> {
        let last = std::mem::replace(&mut self.ticked, now);
        let back = last.unix_nanos().saturating_sub(now.unix_nanos());
        if back > CLOCK_BACK_NANOS {
            let text = format!("the clock was set back by {} s", back / 1_000_000_000);
            return Err(EndedInstance::new(EndReason::Clock, text));
        }
        instance.tick(now).await?;
        self.settle(instance);
        Ok(())
    }

    async fn stop(&mut self, instance: &mut AnalyzerInstance) -> Result<(), EndedInstance> {
        // A picture more or less is nothing that anybody misses.
        instance.stop(CaptureTime::now()).await
    }

    fn over(&mut self, _ended: Option<&EndedInstance>) {
        self.next = None;
        if let Some(mut subscription) = self.subscription.take() {
            self.events.pictures_lost(subscription.dropped());
        }
    }
}
