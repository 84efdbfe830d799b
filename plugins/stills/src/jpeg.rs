//! From planes to a JPEG file.

use jpeg_encoder::{Encoder, EncodingError, ImageBuffer, JpegColorType, SamplingFactor};

use crate::frame::Frame;

/// The planes as the encoder wants them. It takes chroma in the size of the luma and picks each
/// second sample of each second row, so samples that are given twice come out as they were.
struct Planes<'a>(&'a Frame<'a>);

impl ImageBuffer for Planes<'_> {
    fn get_jpeg_color_type(&self) -> JpegColorType {
        JpegColorType::Ycbcr
    }

    fn width(&self) -> u16 {
        // `Frame` has made sure that it fits.
        u16::try_from(self.0.luma().width()).unwrap_or_default()
    }

    fn height(&self) -> u16 {
        u16::try_from(self.0.luma().height()).unwrap_or_default()
    }

    fn fill_buffers(&self, y: u16, buffers: &mut [Vec<u8>; 4]) {
        let y = usize::from(y);
        let width = self.0.luma().width();
        let [luma, cb, cr, _] = buffers;
        luma.extend_from_slice(self.0.luma().row(y));
        for (buffer, plane) in [cb, cr].into_iter().zip(self.0.chroma()) {
            let row = plane.row(y / 2);
            buffer.extend(row.iter().flat_map(|&sample| [sample, sample]).take(width));
        }
    }
}

/// A baseline JPEG with 4:2:0 chroma as it is in the planes, after ISO/IEC 10918-1 and -5 (JFIF),
/// with `exif`, a TIFF structure, in its APP1 segment. `quality` is 1 to 100.
///
/// # Errors
/// What the encoder says.
pub fn encode(frame: &Frame<'_>, quality: u8, exif: &[u8]) -> Result<Vec<u8>, EncodingError> {
    let luma = frame.luma();
    // A guess that seldom needs to grow: two bits a pixel.
    let mut file = Vec::with_capacity(luma.width() * luma.height() / 4 + exif.len() + 1024);
    let mut encoder = Encoder::new(&mut file, quality);
    encoder.set_sampling_factor(SamplingFactor::F_2_2);
    encoder.add_exif_metadata(exif)?;
    encoder.encode_image(Planes(frame))?;
    Ok(file)
}
