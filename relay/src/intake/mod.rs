//! From a camera's RTSP stream to units in the hold.
//!
//! In the order of the data: `session` talks to the camera and times every step, over a connection
//! that `wire` looks at; `assemble` puts packets together into access units under a bound; `desk`
//! stamps them with their capture time ([`clock`]) and keeps back what can't be decoded after a loss
//! ([`gate`]); [`splice`] makes one stream of a camera's sessions, and `outflow` puts it into the
//! [`Hold`](crate::hold::Hold) and tells the ledger what is missing.
//!
//! `camera` is the task that drives them; the tasks of a camera's two streams meet at a `door`.
//! [`mod@line`] decides, without any I/O, when to connect, to probe, to kick, to hedge and to give
//! up; [`watch`] and [`lull`] say what a silence is put down to.

mod assemble;
mod camera;
mod cause;
pub mod clock;
mod desk;
mod door;
pub mod gate;
pub mod line;
pub mod lull;
mod outflow;
mod phase;
pub mod probe;
pub mod reports;
mod sdp;
mod session;
pub mod splice;
pub mod step;
pub mod watch;
mod wire;

pub use camera::{CameraStatus, CameraTask};
pub use cause::{EndCause, SessionError};
pub use door::{Door, Turn};
pub use outflow::SharedWatch;
pub use phase::Phase;
