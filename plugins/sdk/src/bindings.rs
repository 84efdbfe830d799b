//! Generated from `wit/`: the world of sinks here, that of analyzers in [`analyzer`], with the
//! types of what both know taken from here. Their types are re-exported at the root; the rest is
//! for [`export_sink!`](crate::export_sink) and [`export_analyzer!`](crate::export_analyzer).
//! A component names the types of both worlds, but imports only the functions that it uses.
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

pub mod analyzer {
    wit_bindgen::generate!({
        path: "../../wit",
        world: "analyzer",
        additional_derives: [PartialEq],
        with: {
            "forebay:plugin/media@0.1.0": forebay_plugin_sdk::bindings::forebay::plugin::media,
            "forebay:plugin/objects@0.1.0": forebay_plugin_sdk::bindings::forebay::plugin::objects,
            "forebay:plugin/setting@0.1.0": forebay_plugin_sdk::bindings::forebay::plugin::setting,
            "forebay:plugin/telemetry@0.1.0":
                forebay_plugin_sdk::bindings::forebay::plugin::telemetry,
        },
        generate_all,
        pub_export_macro: true,
        export_macro_name: "export_analyzer_bindings",
        default_bindings_module: "forebay_plugin_sdk::bindings::analyzer",
        runtime_path: "forebay_plugin_sdk::bindings::wit_bindgen::rt",
    });
}
