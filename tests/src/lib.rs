//! Shared by the checks that cross crates: where the project is, how to read its data files, how to run a tool, and a
//! controller on this computer.

#[cfg(unix)]
pub mod controller;
pub mod mutants;
pub mod wiring;

use forewarm_core::quantity::{Celsius, Fraction, Milliamps, Millis, Milliwatts};
use forewarm_core::settings::{CeilingPoint, ChargeCurrent, Settings, Source};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::OnceLock;

/// The root of the workspace.
#[must_use]
pub fn root() -> PathBuf {
    PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/.."))
}

/// The rows of a file under `tests/data`, without its comments and header, each with its line number.
///
/// # Panics
/// If the file cannot be read: a check without its data must not pass.
#[must_use]
pub fn rows(name: &str) -> Vec<(usize, Vec<String>)> {
    let path = root().join("tests/data").join(name);
    let text = std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    let mut lines = text.lines().zip(1..).filter(|(line, _)| !line.starts_with('#') && !line.is_empty());
    lines.next().unwrap_or_else(|| panic!("{}: no header", path.display()));
    lines.map(|(line, number)| (number, line.split(',').map(str::to_owned).collect())).collect()
}

/// Builds the library of a package for bare-metal targets in the release profile, at this level of optimisation. Hands
/// back the folder of each library.
///
/// `scratch` is cargo's `CARGO_TARGET_TMPDIR`. The build goes beside it, without link-time optimisation, which would
/// leave only intermediate code in a library. The question is whether the library compiles for the processor, and into
/// what.
///
/// # Panics
/// If it does not build, or if a target cannot be had. The message says what to do.
#[must_use]
pub fn build_for<const N: usize>(
    targets: [&str; N],
    package: &str,
    features: &str,
    opt_level: &str,
    scratch: &str,
) -> [PathBuf; N] {
    let folder = PathBuf::from(scratch).join("../cross");
    let [first, others @ ..] = &targets[..] else { panic!("no target to build for") };
    run(Command::new(root().join("tests/tools/cross"))
        .args([*first, "build", "--locked", "--release", "--lib", "--package", package, "--features", features])
        // At the same time: one build alone leaves a second processor idle while its largest dependency compiles.
        .args(others.iter().map(|target| format!("--target={target}")))
        .env("CARGO_TARGET_DIR", &folder)
        .env("CARGO_PROFILE_RELEASE_LTO", "off")
        .env("CARGO_PROFILE_RELEASE_OPT_LEVEL", opt_level));
    targets.map(|target| folder.join(target).join("release"))
}

/// Builds a program of the firmware for bare-metal targets as it goes on a microcontroller, with its seal. Hands back
/// the path of each.
///
/// `installation` names the file with its settings, from the root of the project. `features` are further features besides the program's
/// own name, which is a feature too. `scratch` is as for [`build_for`].
///
/// # Panics
/// As [`build_for`].
#[must_use]
pub fn build_images<const N: usize>(
    targets: [&str; N],
    program: &str,
    installation: Option<&str>,
    features: &[&str],
    scratch: &str,
) -> [PathBuf; N] {
    let folder = PathBuf::from(scratch).join("../cross");
    let [first, others @ ..] = &targets[..] else { panic!("no target to build for") };
    let features = [&[program], features].concat().join(",");
    let mut build = Command::new(root().join("tests/tools/cross"));
    build
        .args([*first, "build", "--locked", "--profile", "image", "--package", "forewarm-firmware"])
        .args(["--bin", program, "--features", &features])
        // At the same time: the optimisation of a whole image runs on one processor.
        .args(others.iter().map(|target| format!("--target={target}")))
        .env("CARGO_TARGET_DIR", &folder)
        .env_remove("FOREWARM_INSTALLATION");
    if let Some(installation) = installation {
        build.env("FOREWARM_INSTALLATION", installation);
    }
    run(&mut build);
    targets.map(|target| {
        let image = folder.join(target).join("image").join(program);
        // That which counts instructions is for no board.
        if program == "count" {
            return image;
        }
        // Each build links the image anew, while another test may be running it.
        let sealed = image.with_extension("sealed");
        forewarm_seal::seal(&image, &sealed).unwrap_or_else(|problem| panic!("{}: {problem}", image.display()));
        sealed
    })
}

/// Gives settings as many sources and points of the ceiling as there can be, the first point at this temperature. The
/// sources count in each step, and give no more than the cells may take.
pub fn fill(settings: &mut Settings, first: Celsius) {
    let charge = ChargeCurrent::UpTo(Milliamps::from_milliamps(1_001));
    let source = |priority| Source {
        budget: Milliwatts::from_milliwatts(200_001),
        priority,
        settle: Millis::from_secs(30),
        charge,
    };
    settings.sources = (0..4).map(source).collect();
    let point = |n: u32| CeilingPoint {
        at: Celsius::from_millidegrees(first.as_millidegrees() + n.cast_signed() * 1_001),
        limit: Fraction::from_per_mille(100 + n * 49),
    };
    settings.charge.ceiling = (0..8).map(point).collect();
}

/// The path of QEMU for ARM. Installs it first where nobody would mind.
///
/// # Panics
/// If there is none. The message says what to do.
#[must_use]
pub fn emulator() -> PathBuf {
    PathBuf::from(run(Command::new(root().join("tests/tools/provide")).arg("emulator")).trim())
}

/// Runs `command` in the root of the workspace to its end, without input, and hands back its standard output.
///
/// Give a command that calls cargo its own build folder by `CARGO_TARGET_DIR`. In that of the running tests it would
/// wait for their lock or rebuild them.
///
/// # Panics
/// If it cannot be started or fails. The message has everything that it printed.
pub fn run(command: &mut Command) -> String {
    let output = command.current_dir(root()).stdin(Stdio::null()).output();
    let output = output.unwrap_or_else(|error| panic!("{}: {error}", command.get_program().display()));
    let stdout = String::from_utf8_lossy(&output.stdout).into_owned();
    let stderr = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{command:?}: {}\n{stdout}{stderr}", output.status);
    stdout
}

/// Node, where `tests/tools/provide` finds or installs it.
///
/// # Panics
/// If it cannot be had. The message says what to do.
#[must_use]
pub fn node() -> PathBuf {
    PathBuf::from(run(Command::new(root().join("tests/tools/provide")).arg("node")).trim())
}

/// The whole tool as one page, as its builder writes it, once for each run of a program of tests.
///
/// # Panics
/// If it cannot be built.
#[must_use]
pub fn page() -> &'static Path {
    static PAGE: OnceLock<PathBuf> = OnceLock::new();
    PAGE.get_or_init(|| {
        let cargo = std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
        let build = ["run", "--locked", "--package", "forewarm-page"];
        run(Command::new(cargo).args(build).env("CARGO_TARGET_DIR", root().join("target/page")));
        root().join("target/forewarm.html")
    })
}
