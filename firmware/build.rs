//! Lays out memory for the board that is built.

use std::error::Error;
use std::path::PathBuf;

fn main() -> Result<(), Box<dyn Error>> {
    println!("cargo:rerun-if-changed=build.rs");
    if std::env::var("CARGO_CFG_TARGET_OS").as_deref() != Ok("none") {
        return Ok(());
    }
    let out = PathBuf::from(std::env::var("OUT_DIR")?);
    let Some(memory) = memory() else { return Ok(()) };
    std::fs::write(out.join("memory.x"), memory)?;
    println!("cargo:rustc-link-search={}", out.display());
    println!("cargo:rustc-link-arg-bins=--nmagic");
    println!("cargo:rustc-link-arg-bins=-Tlink.x");
    Ok(())
}

/// Where flash and RAM of the board lie; nothing where only the library is built.
fn memory() -> Option<&'static str> {
    if cfg!(feature = "count") {
        return Some(
            "MEMORY\n{\n  FLASH : ORIGIN = 0x00000000, LENGTH = 64K\n  RAM : ORIGIN = 0x20000000, LENGTH = 8K\n}\n",
        );
    }
    None
}
