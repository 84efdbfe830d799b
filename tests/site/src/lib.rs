//! A simulated building site, the rebuilding of a small boatyard: RTSP cameras on loopback whose
//! pictures move and can be recognised, whose frames a machine can tell apart, and that misbehave
//! to order.
//!
//! ```no_run
//! # async fn example() -> std::io::Result<()> {
//! use forebay_site::{Behaviour, CameraSpec, Site};
//!
//! let site = Site::start(vec![CameraSpec::new("slipway"), CameraSpec::new("gate")]).await?;
//! for camera in site.cameras() {
//!     println!("{}", camera.url());
//! }
//! if let Some(gate) = site.camera("gate") {
//!     gate.behave(Behaviour::Freeze);
//! }
//! site.stop().await;
//! # Ok(())
//! # }
//! ```
//!
//! From drawing to sending: [`picture`] and [`scene`] draw, `encode` makes H.264 of it, `source`
//! does both when a frame is due and numbers it in an SEI message, `camera` hands it to the
//! `outbox` of each viewer, `sender` makes RTP of it, while `session` answers requests.
//! [`year`] draws a year of the yard from afar, for films of it.

#![cfg_attr(
    test,
    allow(
        clippy::unwrap_used,
        clippy::expect_used,
        clippy::panic,
        clippy::indexing_slicing
    )
)]

mod audio;
mod auth;
mod behaviour;
mod camera;
mod door;
mod encode;
pub mod frames;
mod h264;
mod outages;
mod outbox;
pub mod picture;
mod rtp;
mod rtsp;
pub mod scene;
mod sender;
mod session;
mod sight;
mod site;
mod source;
mod spec;
mod wire;
pub mod year;

pub use audio::pcmu_packet;
pub use auth::{Account, Scheme};
pub use behaviour::{Behaviour, Method, Step, Uplink};
pub use camera::{Counts, DroppedFrame, SENT_FRAMES_MAX, SentFrame, SessionInfo};
pub use encode::{Coded, ParameterSets, VideoEncoder};
pub use h264::FRAME_SEI_UUID;
pub use outages::{Outage, OutageScript};
pub use picture::{StripStamp, read_strip};
pub use scene::{Daylight, Scene};
pub use sight::Sight;
pub use site::{SimulatedCamera, Site};
pub use spec::{CameraSpec, Source, StartAt, WhenFull};
