//! Footage of an archive without a relay: fragmented MP4 by ffmpeg, with capture times as the relay's
//! recorder writes them.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use crate::recording::rfc3339_of;
use crate::silent;

/// Records a test picture and a tone: ten pictures a second, each different from those of another
/// `scene`. The first picture is captured at `begin` (Unix seconds), and names the file. `coding`:
/// ffmpeg's options for the streams.
pub fn record(
    archive: &Path,
    camera: &str,
    begin: f64,
    seconds: u32,
    scene: u32,
    coding: &str,
) -> PathBuf {
    let name = rfc3339_of(begin).replace(':', "");
    let (day, _) = name.split_once('T').unwrap();
    let folder = archive.join(camera).join("footage").join(day);
    fs::create_dir_all(&folder).unwrap();
    // To the millisecond: `2026-05-04T073100.120Z`.
    let path = folder.join(format!("{}Z.mp4", &name[..name.len() - 4]));
    let (hue, tone) = (30 * scene, 300 + 100 * scene);
    silent(
        Command::new("ffmpeg")
            .args("-v error -nostdin -y -f lavfi -i".split(' '))
            .arg(format!(
                "testsrc2=size=192x108:rate=10:duration={seconds},hue=h={hue}"
            ))
            .args(["-f", "lavfi", "-i"])
            .arg(format!(
                "sine=frequency={tone}:sample_rate=16000:duration={seconds}"
            ))
            .args(coding.split_whitespace())
            .args(["-movflags", "+frag_keyframe+delay_moov+default_base_moof"])
            .arg(&path),
    );
    let bare = fs::read(&path).unwrap();
    fs::write(&path, with_reference(&bare, begin)).unwrap();
    path
}

/// Puts a `prft` box (ISO/IEC 14496-12 §8.16.5, NTP by RFC 5905 §6) before the first fragment.
fn with_reference(file: &[u8], begin: f64) -> Vec<u8> {
    let find = |kind: &[u8]| file.windows(4).position(|four| four == kind);
    let word = |at: usize| u32::from_be_bytes(file[at..at + 4].try_into().unwrap());
    let moof = find(b"moof").unwrap() - 4;
    // What an edit begins with is shown first. Behind version, number of entries and duration.
    let first = find(b"elst").map_or(0, |elst| word(elst + 16));
    let ntp = begin + 2_208_988_800.0;
    let fields = [
        ntp.floor() as u32,
        (ntp.fract() * 4_294_967_296.0) as u32,
        first,
    ];
    let mut told = file[..moof].to_vec();
    told.extend(28u32.to_be_bytes());
    told.extend(b"prft\0\0\0\x18\0\0\0\x01");
    told.extend(fields.iter().flat_map(|field| field.to_be_bytes()));
    told.extend(&file[moof..]);
    told
}
