//! Lays out memory for the board, and builds in the settings of an installation file.

use std::error::Error;
use std::path::PathBuf;

fn main() -> Result<(), Box<dyn Error>> {
    println!("cargo:rerun-if-changed=build.rs");
    if std::env::var("CARGO_CFG_TARGET_OS").as_deref() != Ok("none") {
        return Ok(());
    }
    let out = PathBuf::from(std::env::var("OUT_DIR")?);
    #[cfg(feature = "image")]
    image::settings(&out)?;
    let Some(memory) = memory() else { return Ok(()) };
    std::fs::write(out.join("memory.x"), format!("{memory}{SEAL}"))?;
    println!("cargo:rustc-link-search={}", out.display());
    println!("cargo:rustc-link-arg-bins=--nmagic");
    println!("cargo:rustc-link-arg-bins=-Tlink.x");
    if cfg!(feature = "defmt") {
        println!("cargo:rustc-link-arg-bins=-Tdefmt.x");
    }
    Ok(())
}

/// The place of the image's seal: in flash memory, and not among the constants that the linker merges.
const SEAL: &str = "SECTIONS\n{\n  .seal : ALIGN(4) { KEEP(*(.seal)); } > FLASH\n} INSERT AFTER .rodata;\n";

/// The places of the board's flash and RAM. `None` if only the library is built.
fn memory() -> Option<&'static str> {
    let boards = [cfg!(any(feature = "emulated", feature = "count")), cfg!(feature = "rp2040"), cfg!(feature = "port")];
    assert!(
        boards.into_iter().filter(|&board| board).count() <= 1,
        "one board at a time: their memories lie elsewhere"
    );
    if cfg!(any(feature = "emulated", feature = "count")) {
        // The machine has more. The program shows by running that 16 KiB of RAM are enough, with the stack.
        return Some(
            "MEMORY\n{\n  FLASH : ORIGIN = 0x00000000, LENGTH = 128K\n  RAM : ORIGIN = 0x20000000, LENGTH = 16K\n}\n",
        );
    }
    if cfg!(feature = "rp2040") {
        return Some(include_str!("src/bin/rp2040/memory.x"));
    }
    if cfg!(feature = "port") {
        return Some(include_str!("src/bin/port/memory.x"));
    }
    None
}

#[cfg(feature = "image")]
mod image {
    use forewarm::installation::{Installation, LoadError};
    use forewarm_core::wire::record;
    use std::error::Error;
    use std::path::{Path, PathBuf};

    /// The installation for the emulated board if the build names none.
    const DEMONSTRATION: &str = "sim/demo/hut.toml";

    pub(crate) fn settings(out: &Path) -> Result<(), Box<dyn Error>> {
        println!("cargo:rerun-if-env-changed=FOREWARM_INSTALLATION");
        // Relative to the root of the project.
        let root = PathBuf::from(std::env::var("CARGO_MANIFEST_DIR")?).join("..");
        let file = match std::env::var_os("FOREWARM_INSTALLATION") {
            Some(file) => root.join(file),
            None if cfg!(feature = "emulated") => root.join(DEMONSTRATION),
            // Until some are sent over the service line, it has none, and all relays stay open.
            None if cfg!(feature = "rp2040") => return Ok(std::fs::write(out.join("settings"), [])?),
            None => {
                return Err("FOREWARM_INSTALLATION must name the installation file with the board's settings: an \
                            absolute path, or one from the root of the project"
                    .into());
            }
        };
        println!("cargo:rerun-if-changed={}", file.display());
        let installation = Installation::load(&file).map_err(|error| {
            let problems = match error {
                LoadError::Unreadable(problem) => vec![problem],
                LoadError::Refused(problems) => problems,
            };
            let lines: Vec<String> = problems.iter().map(ToString::to_string).collect();
            format!("the installation cannot be built in:\n{}", lines.join("\n"))
        })?;
        let mut room = [0; record::MAX_BYTES];
        let record = record::encode(&installation.settings, &mut room).map_err(|_| "the settings are too long")?;
        std::fs::write(out.join("settings"), record)?;
        Ok(())
    }
}
