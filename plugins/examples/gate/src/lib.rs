//! Tells whether a gate is open, by comparing a zone of the picture with views of the open and of
//! the closed gate that its settings hold.
//!
//! A view is the zone at 12 × 8 cells, in hexadecimal: a plugin has no files, and so little text
//! fits into the settings. Run once with `learn = true` it tells what it sees as findings of kind
//! `view`, whose text is the view; a person says which of them show the gate open and which
//! closed.
//!
//! Findings: `gate-open` from when it is open until it is closed again; `gate-unclear` while the
//! zone looks like neither, as with a lorry before it, or in fog. What the gate does then is not
//! guessed. Gauges: `openness` (0 closed, 1 open) and `likeness` to the best view.

mod plugin;
mod settings;
mod sight;
mod view;

forebay_plugin_sdk::export_analyzer!(plugin::Gate);
