//! Beside OpenCV and NumPy, on the same pictures.

use std::path::Path;
use std::process::Command;

use forebay_darkroom::align::{Affine, Aligner, Motion, Sketcher};
use forebay_darkroom::frame::Frame;
use forebay_darkroom::level::{Leveller, Levelling, curves};
use forebay_darkroom::region::Regions;
use forebay_site::year::{Conditions, Year};
use serde::Deserialize;

use super::{film, frame, part, unrest, years};

#[derive(Deserialize)]
struct Told {
    affines: Vec<[f64; 6]>,
    means: Vec<f64>,
}

/// None where there is no Python with OpenCV; `tests/run` makes one.
fn ask(frames: &[Frame], size: (usize, usize), top: usize, sigma: f64) -> Option<Told> {
    let Some(python) = std::env::var_os("FOREBAY_PYTHON") else {
        let in_ci = std::env::var("CI").as_deref() == Ok("true");
        assert!(!in_ci, "FOREBAY_PYTHON names no Python with OpenCV");
        println!("skipped: FOREBAY_PYTHON is not set");
        return None;
    };
    let flat: Vec<u8> = frames
        .iter()
        .flat_map(|frame| frame.luma().samples.clone())
        .collect();
    let path = std::env::temp_dir().join(format!("forebay-film-{}", std::process::id()));
    std::fs::write(&path, flat).unwrap();
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/peers/lapse_reference.py");
    let output = Command::new(python)
        .arg(script)
        .arg(&path)
        .args([size.0, size.1, top].map(|number| number.to_string()))
        .arg(sigma.to_string())
        .output()
        .unwrap();
    std::fs::remove_file(&path).unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{said}");
    Some(serde_json::from_slice(&output.stdout).unwrap())
}

/// How far points of the first picture are from where a map says they are in another; pixels, RMS.
fn off(year: &Year, film: &[(i64, Conditions)], maps: &[Affine]) -> f64 {
    let (w, h) = (year.width as f64, year.height as f64);
    let mut squares = Vec::new();
    for ((_, now), map) in film.iter().zip(maps) {
        for (u, v) in [
            (0.15, 0.15),
            (0.85, 0.15),
            (0.15, 0.85),
            (0.85, 0.85),
            (0.5, 0.5),
        ] {
            let (fx, fy) = year.moved(&film[0].1, (u * w, v * h));
            let (nx, ny) = year.moved(now, (u * w, v * h));
            let (px, py) = map.apply(fx, fy);
            squares.push((px - nx).powi(2) + (py - ny).powi(2));
        }
    }
    (squares.iter().sum::<f64>() / squares.len() as f64).sqrt()
}

#[test]
fn movement_and_flicker_are_what_others_find() {
    const SIGMA: f64 = 6.0;
    let year = years().nth(1).unwrap();
    let size = (year.width, year.height);
    let film = film(&year, 3);
    let frames: Vec<Frame> = film.iter().map(|(at, _)| frame(&year, *at)).collect();
    // Sky and water are others each time: their brightness does not count.
    let top = (0.54 * year.height as f64) as usize;
    let Some(told) = ask(&frames, size, top, SIGMA) else {
        return;
    };
    let sketcher = Sketcher::new(size);
    let mut aligner = Aligner::new(size, Motion::Affine, 0.12);
    let poses = frames
        .iter()
        .map(|frame| aligner.next(&sketcher.sketch(frame, &|_, _| false)));
    let own: Vec<Affine> = poses.map(|pose| pose.affine).collect();
    let theirs: Vec<Affine> = told
        .affines
        .iter()
        .map(|[a, b, c, d, e, f]| Affine([*a, *b, *c, *d, *e, *f]))
        .collect();
    let (ours, opencv) = (off(&year, &film, &own), off(&year, &film, &theirs));
    println!(
        "{} frames: off by {ours:.3} px (RMS), by OpenCV {opencv:.3} px",
        film.len()
    );
    assert!(ours < opencv + 0.05, "{ours} {opencv}");

    let regions = "[[region]]\nuse = 'level'\npoints = [[0, 0], [1, 0], [1, 0.54], [0, 0.54]]";
    let mask = Regions::parse(regions).unwrap().level_mask();
    let all = frames
        .iter()
        .map(|frame| curves(frame, mask.as_ref()))
        .collect();
    let options = Levelling {
        strength: 1.0,
        sigma_frames: SIGMA,
        fade_frames: 0,
        period_frames: 0,
    };
    let leveller = Leveller::new(all, vec![0; frames.len()], options);
    let rows = (0.0, size.0 as f64 / size.1 as f64);
    let levelled: Vec<f64> = frames
        .iter()
        .enumerate()
        .map(|(number, frame)| {
            let mut out = frame.clone();
            leveller.table(number).unwrap().apply(&mut out);
            part(&year, &out, rows, (0.54, 1.0))
        })
        .collect();
    // Where a film begins and ends ours goes on along its slope, and NumPy's does not.
    let inner = 12..frames.len() - 12;
    let (own, theirs) = (&levelled[inner.clone()], &told.means[inner]);
    let apart = own
        .iter()
        .zip(theirs)
        .map(|(a, b)| (a - b).abs())
        .fold(0.0, f64::max);
    println!(
        "flicker left {:.2} %, by NumPy {:.2} %; means differ by {apart:.2} levels at the most",
        100.0 * unrest(own),
        100.0 * unrest(theirs)
    );
    assert!(unrest(own) < 1.3 * unrest(theirs) + 0.003);
    assert!(apart < 1.0, "{apart}");
}
