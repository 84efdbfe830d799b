//! From a camera's RTSP stream to units in the hold.
//!
//! In the order of the data: `session` talks to the camera and times every step, while `wire` counts
//! what the camera sends; `assemble` puts packets together into access units under a bound; `clock`
//! finds capture times; `gate` keeps back what can't be decoded after a loss; `desk` makes units of
//! it all and puts them into the [`Hold`](crate::hold::Hold). `camera` is the task that drives them,
//! and `line` decides, without any I/O, when to connect, when to give a session up, and how long to
//! rest.

mod assemble;
mod camera;
mod cause;
pub mod clock;
mod desk;
pub mod gate;
pub mod line;
pub mod probe;
mod sdp;
mod session;
mod wire;

pub use camera::{CameraStatus, CameraTask, Phase};
pub use cause::{EndCause, SessionError};
