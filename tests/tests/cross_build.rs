//! The core and the firmware library, built for the processors they are for: one package and one feature set at a time, since
//! a build of the whole workspace would merge features. Not optimised: that takes most of the time, and the images are built as they
//! are released elsewhere. `tests/tools/provide` finds or installs the target.

use forewarm_tests::build_for;

fn builds(target: &str, package: &str, features: &str) {
    let folder = build_for(target, package, features, "0", env!("CARGO_TARGET_TMPDIR"));
    let library = folder.join(format!("lib{}.rlib", package.replace('-', "_")));
    assert!(library.is_file(), "no {}", library.display());
}

fn core_builds_with_each_feature_set(target: &str) {
    for features in ["", "serde", "defmt", "serde,defmt"] {
        builds(target, "forewarm-core", features);
    }
}

#[test]
fn the_core_builds_for_a_processor_without_atomic_read_modify_write() {
    core_builds_with_each_feature_set("thumbv6m-none-eabi");
}

#[test]
fn the_core_builds_for_the_emulated_processor() {
    core_builds_with_each_feature_set("thumbv7m-none-eabi");
}

#[test]
fn the_core_builds_for_a_processor_with_hardware_floating_point() {
    core_builds_with_each_feature_set("thumbv7em-none-eabihf");
}

#[test]
fn the_firmware_library_builds_for_bare_metal() {
    for target in ["thumbv6m-none-eabi", "thumbv7m-none-eabi", "thumbv7em-none-eabihf"] {
        builds(target, "forewarm-firmware", "");
    }
}
