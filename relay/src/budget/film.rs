//! How long a film of stills is: `N = days · hours · 3600 / Δ` stills at one each `Δ` seconds, and
//! `N / rate` seconds of film.

/// The film of a schedule.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Film {
    /// Stills.
    pub stills: f64,
    /// Of film, in seconds.
    pub seconds: f64,
}

/// The film of so many days with so many hours each.
#[must_use]
pub fn film(days: f64, hours: f64, interval_seconds: f64, frames_per_second: f64) -> Film {
    let stills = days * hours * 3600.0 / interval_seconds;
    Film {
        stills,
        seconds: stills / frames_per_second,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_years_of_working_days_are_half_an_hour() {
        // 730 days of 10 hours, one each 10 minutes: 43 800, which at 25 a second are 29 min 12 s.
        let film = film(730.0, 10.0, 600.0, 25.0);
        assert_eq!(film.stills.round() as u64, 43_800);
        assert_eq!(film.seconds.round() as u64, 29 * 60 + 12);
    }
}
