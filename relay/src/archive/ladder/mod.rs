//! What the archive holds grows old in steps: footage whole, then its key frames alone, then
//! nothing; stills and findings for their own periods, or for good.
//!
//! [`rules`] decides (pure): what is due by age, what has to go for room, and what a pin keeps;
//! [`forecast`] applies that to the days to come (pure). [`pins`] are files of the archive, made by a
//! command beside a running relay. `shelf` lists what there is, a day at a time, and `survey` looks at
//! all of it. `run` is the thread that does what is due, `step` one step of it, and `thin` makes of
//! footage what its key frames are. Footage that goes is written into the ledger's journal first: what
//! was recorded stays recorded, and an account never calls missing what has only expired.

mod clock;
pub mod forecast;
mod handle;
pub mod pins;
pub mod rules;
mod run;
mod shelf;
mod sizes;
mod step;
mod survey;
mod thin;

pub use handle::LadderHandle;
pub use pins::{Pin, PinError, Pins};
pub use rules::{
    Act, Form, Object, Pressure, Reason, Room, Step, Verdict, due, plan, relieve, yields,
};
pub use run::LadderOptions;
pub use shelf::{DayFolder, KEY_FRAMES, day_folders, objects};
pub use survey::{DueTally, Survey, survey};
pub(in crate::archive) use thin::OnDisk;
#[cfg(test)]
pub(crate) use thin::tests::thinned_copy;
