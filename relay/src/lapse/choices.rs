//! `choices.txt`: what was chosen for each place, to be decided otherwise.

use std::fmt::Write as _;

use super::report::minute;
use super::request::{Verdicts, written};
use super::store::Store;
use super::{LapseError, LapseRequest, Made};

const CHOICES: &str = "choices.txt";

/// Writes it. Gives the number of decisions in the one before that are not in force: somebody has made them
/// there since, and not handed them over. They stay.
pub(super) fn write(
    store: &Store,
    request: &LapseRequest,
    made: &Made,
) -> Result<usize, LapseError> {
    let waiting = decided(store)?.beyond(&request.verdicts);
    let text = choices(request, made, &waiting);
    store.put(CHOICES.as_ref(), text.as_bytes())?;
    Ok(waiting.count())
}

/// The decisions in the file that is there. One that can't be read is put beside, for who has written it.
fn decided(store: &Store) -> Result<Verdicts, LapseError> {
    let path = store.path(CHOICES);
    let text = match std::fs::read_to_string(&path) {
        Ok(text) => text,
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => String::new(),
        Err(source) => return Err(LapseError::State { path, source }),
    };
    let mut verdicts = Verdicts::default();
    match verdicts.add_text(&text) {
        Ok(()) => Ok(verdicts),
        Err((line, why)) => {
            let beside = store.path("choices.txt.old");
            std::fs::rename(&path, &beside).map_err(LapseError::write(&beside))?;
            tracing::warn!(
                "{}:{line}: {why}; it is now {}",
                path.display(),
                beside.display()
            );
            Ok(Verdicts::default())
        }
    }
}

/// Decisions that were made, and others as remarks: what loses its `#` is one.
fn choices(request: &LapseRequest, made: &Made, waiting: &Verdicts) -> String {
    let mut text = String::from(
        "# What was chosen for each place of the film, and what else there is.\n\
         # Take the first `#` of a line away to make it a decision, and hand the file over with\n\
         # --choices FILE --again.\n",
    );
    for (what, verdicts) in [
        ("Decided", &request.verdicts),
        ("Decided, and not in force yet", waiting),
    ] {
        if verdicts.count() > 0 {
            text += &format!("\n# {what}:\n{verdicts}");
        }
    }
    for (choice, slot) in made.choices.iter().zip(&made.plan.calendar.slots) {
        let wanted = slot
            .wanted
            .first()
            .map_or_else(String::new, |at| minute(*at, &request.zone));
        writeln!(
            text,
            "\n# {wanted}{}",
            if choice.taken.is_none() {
                ": nothing"
            } else {
                ""
            }
        )
        .ok();
        for (index, scores) in choice.ranked.iter().take(4) {
            let Some(candidate) = made.plan.candidates.get(*index) else {
                continue;
            };
            let taken = choice.taken.is_some_and(|(taken, _)| taken == *index);
            let word = if taken { "drop" } else { "keep" };
            let why = scores
                .worst(&request.taste.weights)
                .map(|why| format!(", {why}"));
            let total = scores.total(&request.taste.weights);
            let state = if taken { "taken" } else { "not taken" };
            writeln!(
                text,
                "#{word} {} # {state}, {total:.2}{}",
                written(&candidate.name()),
                why.unwrap_or_default()
            )
            .ok();
        }
    }
    text
}
