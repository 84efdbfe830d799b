//! Takes stills on a schedule.
