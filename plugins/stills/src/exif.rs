//! What a still says of itself: an Exif structure, after Exif 2.32 (CIPA DC-008-2019) and TIFF 6.0.

/// A position.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Position {
    /// North is positive.
    pub latitude_degrees: f64,
    /// East is positive.
    pub longitude_degrees: f64,
}

/// What is written.
#[derive(Debug, Clone, PartialEq)]
pub struct Tags<'a> {
    /// What is seen: camera and site.
    pub description: &'a str,
    /// What made the file.
    pub software: &'a str,
    /// When the picture was captured, by the clock of the site: "2026:05:04 09:31:00".
    pub local: &'a str,
    /// Thousandths of a second: "120".
    pub subsecond: &'a str,
    /// The clock's distance from UTC: "+02:00".
    pub offset: &'a str,
    /// For machines: all of it once more, exact and in ASCII.
    pub comment: &'a str,
    /// Width and height in pixels.
    pub size: (u32, u32),
    /// Where the site is.
    pub position: Option<Position>,
}

const BYTE: u16 = 1;
const ASCII: u16 = 2;
const SHORT: u16 = 3;
const LONG: u16 = 4;
const RATIONAL: u16 = 5;
const UNDEFINED: u16 = 7;

/// Little endian; 42; the first directory is at 8.
const HEAD: [u8; 8] = [b'I', b'I', 42, 0, 8, 0, 0, 0];

const EXIF_IFD: u16 = 0x8769;
const GPS_IFD: u16 = 0x8825;

/// A directory entry: tag, type, number of values, and these in little endian.
struct Entry {
    tag: u16,
    kind: u16,
    count: u32,
    value: Vec<u8>,
}

impl Entry {
    /// Type ASCII ends with a zero and holds 7-bit codes: what else there is becomes `?`.
    fn ascii(tag: u16, text: &str) -> Self {
        let code = |c: char| {
            if (' '..='~').contains(&c) {
                c as u8
            } else {
                b'?'
            }
        };
        let value: Vec<u8> = text.chars().map(code).chain([0]).collect();
        Self::bytes(tag, ASCII, value)
    }

    /// Types of one byte a value.
    fn bytes(tag: u16, kind: u16, value: Vec<u8>) -> Self {
        let count = u32::try_from(value.len()).unwrap_or(u32::MAX);
        Self {
            tag,
            kind,
            count,
            value,
        }
    }

    fn short(tag: u16, value: u16) -> Self {
        let value = value.to_le_bytes().to_vec();
        Self {
            tag,
            kind: SHORT,
            count: 1,
            value,
        }
    }

    fn long(tag: u16, value: u32) -> Self {
        let value = value.to_le_bytes().to_vec();
        Self {
            tag,
            kind: LONG,
            count: 1,
            value,
        }
    }

    fn rationals(tag: u16, values: &[(u32, u32)]) -> Self {
        let count = u32::try_from(values.len()).unwrap_or(u32::MAX);
        let pairs = values.iter().flat_map(|(over, under)| [over, under]);
        let value = pairs.flat_map(|number| number.to_le_bytes()).collect();
        Self {
            tag,
            kind: RATIONAL,
            count,
            value,
        }
    }
}

/// A directory at `offset` of the file, its values behind it.
fn directory(offset: usize, mut entries: Vec<Entry>) -> Vec<u8> {
    entries.sort_by_key(|entry| entry.tag);
    let mut head = Vec::new();
    let mut values = Vec::new();
    let values_at = offset + 2 + 12 * entries.len() + 4;
    head.extend(
        u16::try_from(entries.len())
            .unwrap_or_default()
            .to_le_bytes(),
    );
    for Entry {
        tag,
        kind,
        count,
        mut value,
    } in entries
    {
        head.extend(tag.to_le_bytes());
        head.extend(kind.to_le_bytes());
        head.extend(count.to_le_bytes());
        if value.len() <= 4 {
            value.resize(4, 0);
            head.extend(value);
            continue;
        }
        let at = u32::try_from(values_at + values.len()).unwrap_or_default();
        head.extend(at.to_le_bytes());
        values.extend(value);
        // Values begin at even offsets (TIFF 6.0, section 2).
        if values.len() % 2 == 1 {
            values.push(0);
        }
    }
    // There is no next directory.
    head.extend([0; 4]);
    head.extend(values);
    head
}

/// Degrees, minutes, and seconds in thousandths.
fn sexagesimal(degrees: f64) -> [(u32, u32); 3] {
    // At most 180°, which is far within 32 bits.
    let thousandths = (degrees.abs().min(180.0) * 3_600_000.0).round() as u32;
    let (degrees, rest) = (thousandths / 3_600_000, thousandths % 3_600_000);
    [(degrees, 1), (rest / 60_000, 1), (rest % 60_000, 1000)]
}

fn gps(position: &Position) -> Vec<Entry> {
    let reference = |degrees: f64, positive, negative| {
        if degrees < 0.0 { negative } else { positive }
    };
    let Position {
        latitude_degrees,
        longitude_degrees,
    } = *position;
    vec![
        // GPSVersionID
        Entry::bytes(0x0000, BYTE, vec![2, 3, 0, 0]),
        // GPSLatitudeRef, GPSLatitude
        Entry::ascii(0x0001, reference(latitude_degrees, "N", "S")),
        Entry::rationals(0x0002, &sexagesimal(latitude_degrees)),
        // GPSLongitudeRef, GPSLongitude
        Entry::ascii(0x0003, reference(longitude_degrees, "E", "W")),
        Entry::rationals(0x0004, &sexagesimal(longitude_degrees)),
        // GPSMapDatum
        Entry::ascii(0x0012, "WGS-84"),
    ]
}

/// The TIFF structure that stands behind "Exif\0\0" in an APP1 segment.
#[must_use]
pub fn tiff(tags: &Tags<'_>) -> Vec<u8> {
    // UserComment names its character code in eight bytes.
    let mut comment = b"ASCII\0\0\0".to_vec();
    comment.extend(tags.comment.bytes());
    let exif = vec![
        // ExifVersion
        Entry::bytes(0x9000, UNDEFINED, b"0232".to_vec()),
        // DateTimeOriginal, DateTimeDigitized
        Entry::ascii(0x9003, tags.local),
        Entry::ascii(0x9004, tags.local),
        // OffsetTime, OffsetTimeOriginal, OffsetTimeDigitized
        Entry::ascii(0x9010, tags.offset),
        Entry::ascii(0x9011, tags.offset),
        Entry::ascii(0x9012, tags.offset),
        // ComponentsConfiguration: Y, Cb, Cr.
        Entry::bytes(0x9101, UNDEFINED, vec![1, 2, 3, 0]),
        // UserComment
        Entry::bytes(0x9286, UNDEFINED, comment),
        // SubSecTime, SubSecTimeOriginal, SubSecTimeDigitized
        Entry::ascii(0x9290, tags.subsecond),
        Entry::ascii(0x9291, tags.subsecond),
        Entry::ascii(0x9292, tags.subsecond),
        // FlashpixVersion
        Entry::bytes(0xA000, UNDEFINED, b"0100".to_vec()),
        // ColorSpace: sRGB.
        Entry::short(0xA001, 1),
        // PixelXDimension, PixelYDimension
        Entry::long(0xA002, tags.size.0),
        Entry::long(0xA003, tags.size.1),
    ];
    let mut main = vec![
        // ImageDescription
        Entry::ascii(0x010E, tags.description),
        // XResolution, YResolution, ResolutionUnit: unknown, for which Exif prescribes 72 an inch.
        Entry::rationals(0x011A, &[(72, 1)]),
        Entry::rationals(0x011B, &[(72, 1)]),
        Entry::short(0x0128, 2),
        // Software
        Entry::ascii(0x0131, tags.software),
        // DateTime
        Entry::ascii(0x0132, tags.local),
        // YCbCrPositioning: centred.
        Entry::short(0x0213, 1),
        Entry::long(EXIF_IFD, 0),
    ];
    let gps = tags.position.as_ref().map(gps);
    if gps.is_some() {
        main.push(Entry::long(GPS_IFD, 0));
    }

    // The lengths don't depend on the two offsets, which are known only with them.
    let exif_at = HEAD.len() + directory_length(&main);
    let gps_at = exif_at + directory_length(&exif);
    for entry in &mut main {
        let at = match entry.tag {
            EXIF_IFD => exif_at,
            GPS_IFD => gps_at,
            _ => continue,
        };
        entry.value = u32::try_from(at).unwrap_or_default().to_le_bytes().to_vec();
    }

    let mut file = HEAD.to_vec();
    file.extend(directory(HEAD.len(), main));
    file.extend(directory(exif_at, exif));
    if let Some(gps) = gps {
        file.extend(directory(gps_at, gps));
    }
    file
}

/// Bytes of a directory and its values.
fn directory_length(entries: &[Entry]) -> usize {
    let value = |entry: &Entry| match entry.value.len() {
        0..=4 => 0,
        length => length + length % 2,
    };
    2 + 12 * entries.len() + 4 + entries.iter().map(value).sum::<usize>()
}
