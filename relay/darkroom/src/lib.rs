//! What a film of years is made with, picture by picture: which instants are wanted and which frames
//! are the best ([`calendar`], [`survey`], [`choose`]), flicker and knocks taken out ([`level`],
//! [`align`]), pictures cut, scaled, put together, covered and dated ([`resample`], [`blend`],
//! [`region`], [`stamp`]), and the row of them ([`film`]).
//!
//! Nothing here knows of files or cameras. A package of its own, so that it is compiled for speed in
//! builds for tests, too.

#![cfg_attr(
    test,
    allow(
        clippy::unwrap_used,
        clippy::expect_used,
        clippy::indexing_slicing,
        clippy::panic
    )
)]

pub mod affine;
pub mod align;
pub mod blend;
pub mod calendar;
pub mod choose;
pub mod colour;
mod ecc;
pub mod film;
pub mod frame;
mod image;
pub mod level;
mod phase;
pub mod region;
pub mod resample;
pub mod stamp;
pub mod survey;
