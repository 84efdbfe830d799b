//! Scores motion and watches over the camera's view.
