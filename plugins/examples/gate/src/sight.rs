//! What a view says of the gate.

use crate::view::{Shape, View, ViewError};

/// Likeness from which on a view of the open and one of the closed gate can't be told apart.
const ALIKE: f64 = 0.97;

/// Why views can't serve.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub(crate) enum SightError {
    #[error("{state}, view {number}: {error}")]
    View {
        state: &'static str,
        number: usize,
        error: ViewError,
    },
    #[error(
        "open, view {open} and closed, view {closed} are too alike ({likeness:.3} of 1): choose a \
         zone where the gate makes more of a difference"
    )]
    Alike {
        open: usize,
        closed: usize,
        likeness: f64,
    },
}

/// What the zone shows.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Sight {
    /// The gate.
    Gate {
        /// 0 closed to 1 open.
        openness: f64,
        /// To the view that it is most like.
        likeness: f64,
    },
    /// Something else, or nothing.
    Unclear {
        /// To the view that it is most like.
        likeness: f64,
    },
}

/// Compares with what was learnt.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Judge {
    open: Vec<Shape>,
    closed: Vec<Shape>,
    likeness_min: f64,
}

impl Judge {
    /// `likeness_min`: what is less like any of the views is unclear.
    pub(crate) fn new(
        open: &[String],
        closed: &[String],
        likeness_min: f64,
    ) -> Result<Self, SightError> {
        let judge = Self {
            open: shapes("open", open)?,
            closed: shapes("closed", closed)?,
            likeness_min,
        };
        for (open, a) in (1..).zip(&judge.open) {
            for (closed, b) in (1..).zip(&judge.closed) {
                let likeness = a.likeness(b);
                if likeness >= ALIKE {
                    return Err(SightError::Alike {
                        open,
                        closed,
                        likeness,
                    });
                }
            }
        }
        Ok(judge)
    }

    pub(crate) fn look(&self, view: &View) -> Sight {
        let unclear = Sight::Unclear { likeness: 0.0 };
        let Ok(shape) = view.shape() else {
            return unclear;
        };
        // Of several views of a state the one in the light of this hour.
        let nearest = |shapes: &'_ [Shape]| {
            let each = shapes
                .iter()
                .map(|known| (shape.likeness(known), known.clone()));
            each.max_by(|(a, _), (b, _)| a.total_cmp(b))
        };
        let (Some((to_open, open)), Some((to_closed, closed))) =
            (nearest(&self.open), nearest(&self.closed))
        else {
            return unclear;
        };
        let likeness = to_open.max(to_closed);
        if likeness < self.likeness_min {
            return Sight::Unclear { likeness };
        }
        Sight::Gate {
            openness: shape.between(&closed, &open),
            likeness,
        }
    }
}

fn shapes(state: &'static str, views: &[String]) -> Result<Vec<Shape>, SightError> {
    let shape = |(number, text): (usize, &String)| {
        let shape = View::parse(text).and_then(|view| view.shape());
        shape.map_err(|error| SightError::View {
            state,
            number,
            error,
        })
    };
    (1..).zip(views).map(shape).collect()
}
