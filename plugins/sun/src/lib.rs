//! Where the sun stands in the sky, by the solar position algorithm (SPA) of the National Renewable
//! Energy Laboratory: Reda and Andreas, "Solar Position Algorithm for Solar Radiation
//! Applications", NREL/TP-560-34302, 2003, revised 2008. Its authors give ±0.0003° for the years
//! -2000 to 6000.
//!
//! Instants are UTC, which is taken for UT1: at most 0.9 s off, that is 0.004° of hour angle.
//! Nothing here asks a clock.

mod spa;
mod terms;

pub use spa::Geocentric;

/// Nanoseconds since 1970-01-01T00:00:00 UTC, without leap seconds.
pub type Instant = i64;

/// Where somebody looks at the sun.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Place {
    /// North is positive, -90 to 90.
    pub latitude_degrees: f64,
    /// East is positive, -180 to 180.
    pub longitude_degrees: f64,
    /// Above the sea; matters by less than 0.001° where people live.
    pub elevation_meters: f64,
    /// Yearly mean, for the refraction.
    pub pressure_hectopascals: f64,
    /// Yearly mean, for the refraction.
    pub temperature_celsius: f64,
}

impl Place {
    /// At sea level, in the standard atmosphere of ISO 2533 there: 1013.25 hPa; 12 °C for its
    /// temperature, which is the default of other implementations too.
    #[must_use]
    pub fn new(latitude_degrees: f64, longitude_degrees: f64) -> Self {
        Self {
            latitude_degrees,
            longitude_degrees,
            elevation_meters: 0.0,
            pressure_hectopascals: 1013.25,
            temperature_celsius: 12.0,
        }
    }
}

/// Where the middle of the sun's disc is, in degrees.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Position {
    /// Angle above the horizon without an atmosphere. Almanacs count with it: the sun rises and
    /// sets at -0.833°, civil twilight ends at -6°.
    pub elevation_degrees: f64,
    /// As it is seen, refraction included. Below -0.833° there is nothing to see, and no
    /// refraction is added: it jumps there.
    pub apparent_elevation_degrees: f64,
    /// 90° less the apparent elevation.
    pub zenith_degrees: f64,
    /// From north over east, 0 to 360.
    pub azimuth_degrees: f64,
}

/// Where the sun stands, with ΔT by [`delta_t_seconds`].
#[must_use]
pub fn position(at: Instant, place: &Place) -> Position {
    position_with(at, place, delta_t_seconds(at))
}

/// As [`position`], with a ΔT of one's own.
#[must_use]
pub fn position_with(at: Instant, place: &Place, delta_t_seconds: f64) -> Position {
    spa::topocentric(&spa::geocentric(at, delta_t_seconds), place)
}

/// Where the sun stands as seen from the middle of the earth.
#[must_use]
pub fn geocentric(at: Instant, delta_t_seconds: f64) -> Geocentric {
    spa::geocentric(at, delta_t_seconds)
}

/// ΔT, terrestrial time less universal time. The polynomial of Espenak and Meeus ("Five Millennium
/// Canon of Solar Eclipses", NASA/TP-2006-214141) for 2005 to 2050; before and after, its value at
/// the nearest end. Since 2006 the earth has been faster than that: about 5 s too much in 2026. The
/// sun moves by 0.0007° of its orbit in a minute, so that does not matter.
#[must_use]
pub fn delta_t_seconds(at: Instant) -> f64 {
    let years = spa::julian_days(at) - spa::JULIAN_DAY_2000;
    let years = (years / 365.25).clamp(5.0, 50.0);
    62.92 + 0.32217 * years + 0.005589 * years * years
}
