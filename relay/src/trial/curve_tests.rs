use super::super::sample::at;
use super::*;

fn times(begin: f64, end: f64) -> (String, String) {
    let (common, times) = Axis::new((at(begin), at(end))).times();
    (common, times.join(" "))
}

/// From 2026-05-04T07:31:00.120Z on.
#[test]
fn times_are_as_short_as_they_tell_parts_apart() {
    let day = "2026-05-04, UTC".to_owned();
    let minute = "07:31:00 07:31:15 07:31:30 07:31:45 07:32:00";
    assert_eq!(times(0.0, 60.0), (day.clone(), minute.to_owned()));
    let hours = "07:31 09:31 11:31 13:31 15:31";
    assert_eq!(times(0.0, 8.0 * 3600.0), (day.clone(), hours.to_owned()));
    let seconds = "07:31:00.1 07:31:01.1 07:31:02.1 07:31:03.1 07:31:04.1";
    assert_eq!(times(0.0, 4.0), (day.clone(), seconds.to_owned()));
    let short = "07:31:00.120 07:31:00.370 07:31:00.620 07:31:00.870 07:31:01.120";
    assert_eq!(times(0.0, 1.0), (day.clone(), short.to_owned()));
    // A single picture.
    assert_eq!(times(0.0, 0.0), (day, ["07:31:00.120"; 5].join(" ")));
    // Over midnight, and over weeks.
    let utc = "UTC".to_owned();
    let night = "05-04 07:31 05-04 13:31 05-04 19:31 05-05 01:31 05-05 07:31";
    assert_eq!(times(0.0, 86_400.0), (utc.clone(), night.to_owned()));
    let weeks = "2026-05-04 2026-05-11 2026-05-18 2026-05-25 2026-06-01";
    assert_eq!(times(0.0, 28.0 * 86_400.0), (utc, weeks.to_owned()));
}

/// The numbers of the one path of this class, by its commands.
fn path(svg: &str, class: &str) -> Vec<(char, Vec<f64>)> {
    let document = roxmltree::Document::parse(svg).unwrap();
    let path = document
        .descendants()
        .find(|node| node.attribute("class") == Some(class));
    let path = path.unwrap().attribute("d").unwrap().to_owned();
    let starts: Vec<_> = path.match_indices(char::is_alphabetic).collect();
    let ends = starts.iter().skip(1).map(|(at, _)| *at).chain([path.len()]);
    starts
        .iter()
        .zip(ends)
        .map(|((begin, letter), end)| {
            let numbers = path[begin + 1..end].split(' ').map(|n| n.parse().unwrap());
            (letter.chars().next().unwrap(), numbers.collect())
        })
        .collect()
}

#[test]
fn a_gauge_has_its_own_scale_and_keeps_its_value() {
    let axis = Axis::new((at(0.0), at(100.0)));
    let values = [(at(10.0), 300.0), (at(50.0), 100.0), (at(75.0), 200.0)];
    let (svg, lowest, highest) = gauge("level", &values, axis).unwrap();
    assert_eq!((lowest, highest), (100.0, 300.0));
    let path = path(&svg, "gauge");
    let along: Vec<_> = path.iter().filter(|(letter, _)| *letter != 'V').collect();
    // Nothing before it is set; then it stands until it is set anew, the last time to the end.
    let wanted = [
        ('M', vec![100.0, 0.0]),
        ('H', vec![500.0]),
        ('H', vec![750.0]),
        ('H', vec![1000.0]),
    ];
    assert_eq!(along, wanted.iter().collect::<Vec<_>>());
    let mut heights: Vec<_> = path
        .iter()
        .filter(|(letter, _)| *letter == 'V')
        .map(|(_, numbers)| numbers[0])
        .collect();
    heights.dedup();
    assert_eq!(heights, [0.0, 72.0, 36.0]);
    assert!(gauge("level", &[], axis).is_none());
}

#[test]
fn a_gauge_of_a_year_is_short_and_loses_no_peak() {
    let axis = Axis::new((at(0.0), at(1e6)));
    let mut values: Vec<_> = (0..200_000)
        .map(|n| (at(f64::from(n) * 5.0), 0.5))
        .collect();
    values[77_777].1 = 9.0;
    values[111_111].1 = -9.0;
    let (svg, lowest, highest) = gauge("level", &values, axis).unwrap();
    assert_eq!((lowest, highest), (-9.0, 9.0));
    let heights: Vec<_> = path(&svg, "gauge")
        .into_iter()
        .filter(|(l, _)| *l == 'V')
        .collect();
    assert!(heights.contains(&('V', vec![0.0])) && heights.contains(&('V', vec![72.0])));
    assert!(svg.len() < 60_000, "{}", svg.len());
}

#[test]
fn any_values_can_be_drawn() {
    let axis = Axis::new((at(0.0), at(1.0)));
    for values in [
        [1.0, 1.0],
        [f64::MIN, f64::MAX],
        [0.0, f64::MIN_POSITIVE],
        [-0.0, 0.0],
    ] {
        let values = [(at(0.0), values[0]), (at(1.0), values[1])];
        let (svg, ..) = gauge("a<b>\"", &values, axis).unwrap();
        for (letter, numbers) in path(&svg, "gauge") {
            let bound = if letter == 'V' { 72.0 } else { 1000.0 };
            assert!(numbers.iter().all(|n| (0.0..=bound).contains(n)), "{svg}");
        }
    }
}
