//! Builds the core and the firmware library for their processors, one package and one feature set at a time, because a
//! build of the whole workspace would merge features. The builds are not optimised: optimisation takes most of the
//! time, and the images are built as released elsewhere. `tests/tools/provide` finds or installs the targets.

use forewarm_tests::build_for;

/// Without atomic read-modify-write or a divider.
const LEAST: [&str; 1] = ["thumbv6m-none-eabi"];
/// That one, the emulated one, and one with floating point in hardware.
const ALL: [&str; 3] = ["thumbv6m-none-eabi", "thumbv7m-none-eabi", "thumbv7em-none-eabihf"];

fn builds<const N: usize>(targets: [&str; N], package: &str, features: &str) {
    for folder in build_for(targets, package, features, "0", env!("CARGO_TARGET_TMPDIR")) {
        let library = folder.join(format!("lib{}.rlib", package.replace('-', "_")));
        assert!(library.is_file(), "no {}", library.display());
    }
}

#[test]
fn the_core_builds_for_bare_metal_with_each_feature_set() {
    for features in ["", "defmt"] {
        builds(ALL, "forewarm-core", features);
    }
    // The firmware uses the core with this feature on every processor.
    for features in ["serde", "serde,defmt"] {
        builds(LEAST, "forewarm-core", features);
    }
}

#[test]
fn the_firmware_library_builds_for_bare_metal() {
    builds(ALL, "forewarm-firmware", "");
}
