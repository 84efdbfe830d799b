//! Generated from `wit/`. Its types are re-exported at the root; the rest is for
//! [`export_sink!`](crate::export_sink).
#![allow(
    unsafe_code,
    missing_debug_implementations,
    unreachable_pub,
    rust_2018_idioms,
    clippy::all,
    clippy::restriction
)]

wit_bindgen::generate!({
    path: "../../wit",
    world: "sink",
    generate_all,
    pub_export_macro: true,
    export_macro_name: "export_bindings",
    default_bindings_module: "forebay_plugin_sdk::bindings",
    runtime_path: "forebay_plugin_sdk::bindings::wit_bindgen::rt",
});
#[doc(hidden)]
pub use wit_bindgen;
