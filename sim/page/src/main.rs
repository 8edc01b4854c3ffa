//! Writes Forewarm as one page for a browser: `target/forewarm.html`. It needs nothing from elsewhere.
//!
//! The library is compiled to WebAssembly (`sim/page/desk`) and put into the page (`sim/page/web`), packed, with the script that
//! calls it.

use anyhow::{Context, Result, bail, ensure};
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use flate2::Compression;
use flate2::write::GzEncoder;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::Command;
use wasm_bindgen_cli_support::Bindgen;

const TARGET: &str = "wasm32-unknown-unknown";
const PAGE: &str = include_str!("../web/page.html");
/// What a page carries at most (bytes): it is passed on by hand.
const MOST: usize = 3_000_000;

/// The style, in the order in which it counts. The first is that of the season's own page.
const STYLE: [&str; 2] = [include_str!("../../src/chart/page.css"), include_str!("../web/page.css")];
/// The scripts of the page, in the order in which they run.
const SCRIPT: [&str; 7] = [
    include_str!("../../src/chart/page.js"),
    include_str!("../web/elements.js"),
    include_str!("../web/desk.js"),
    include_str!("../web/state.js"),
    include_str!("../web/form.js"),
    include_str!("../web/results.js"),
    include_str!("../web/page.js"),
];
/// The script beside which the module runs.
const WORKER: &str = include_str!("../web/worker.js");

fn main() -> Result<()> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("../..");
    let module = compiled(&root)?;
    let mut output = Bindgen::new()
        .input_path(module)
        .no_modules(true)?
        .typescript(false)
        .remove_name_section(true)
        .remove_producers_section(true)
        .generate_output()
        .context("the module cannot be made ready for a browser")?;
    let module = output.wasm_mut().emit_wasm();
    let page = page(output.js(), &module)?;
    ensure!(page.len() <= MOST, "the page has {} bytes, and {MOST} are the most", page.len());
    let out = root.join("target/forewarm.html");
    write(&out, &page)?;
    // The first is what is opened, the second what a phone has to hold.
    println!("target/forewarm.html is written: {} bytes, with a module of {} bytes", page.len(), module.len());
    Ok(())
}

/// Compiles the library, and returns the path of its module.
fn compiled(root: &Path) -> Result<PathBuf> {
    // A folder of its own: this runs while another cargo waits for it.
    let folder = root.join("target/page");
    if !has_target() {
        // On the standard error, where cargo says what it fetches.
        eprintln!("fetching the library of {TARGET}");
        let fetched = Command::new("rustup").args(["target", "add", TARGET]).status();
        ensure!(
            fetched.is_ok_and(|status| status.success()),
            "there is no library of {TARGET}. Run `rustup target add {TARGET}`, or install it for your compiler, then try again"
        );
    }
    let cargo = std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
    let built = Command::new(cargo)
        .args(["build", "--locked", "--package", "forewarm-desk", "--profile", "page", "--target", TARGET])
        .arg("--manifest-path")
        .arg(root.join("Cargo.toml"))
        .env("CARGO_TARGET_DIR", &folder)
        // Flags for this computer's processor do not fit.
        .env_remove("RUSTFLAGS")
        .env_remove("CARGO_ENCODED_RUSTFLAGS")
        .env("CARGO_TARGET_WASM32_UNKNOWN_UNKNOWN_RUSTFLAGS", "-Ctarget-feature=+simd128")
        .status()
        .context("cargo cannot be run")?;
    if !built.success() {
        bail!("the library does not compile for {TARGET}: see above");
    }
    Ok(folder.join(TARGET).join("page/forewarm_desk.wasm"))
}

/// Whether the compiler has the target's library.
fn has_target() -> bool {
    let folder = Command::new("rustc").args(["--print", "target-libdir", "--target", TARGET]).output();
    folder.is_ok_and(|found| Path::new(String::from_utf8_lossy(&found.stdout).trim()).is_dir())
}

/// The page with everything in its place. `glue` is what calls the module.
fn page(glue: &str, module: &[u8]) -> Result<String> {
    let mut packed = GzEncoder::new(Vec::new(), Compression::best());
    packed.write_all(module)?;
    let module = STANDARD.encode(packed.finish()?);
    let worker = format!("{glue}\n{WORKER}");
    let held = |id: &str, text: &str| format!("<script type=\"text/plain\" id=\"{id}\">{text}</script>");
    let parts = [
        ("/*STYLE*/", STYLE.concat()),
        ("<!--MODULE-->", held("module", &module)),
        ("<!--WORKER-->", held("worker", &worker)),
        ("/*SCRIPT*/", SCRIPT.concat()),
    ];
    for (place, part) in [("style", &parts[0].1), ("worker", &worker), ("script", &parts[3].1)] {
        ensure!(!ends_early(part), "what stands in the {place} ends its element");
    }
    let mut page = String::new();
    let mut rest = PAGE;
    // Each once, in this order: a part may hold what looks like the place of another.
    for (place, part) in &parts {
        let (before, after) = rest.split_once(place).with_context(|| format!("the page has no place for {place}"))?;
        page.push_str(before);
        page.push_str(part);
        rest = after;
    }
    Ok(page + rest)
}

/// Whether a text would end the element that it stands in.
fn ends_early(text: &str) -> bool {
    let text = text.to_ascii_lowercase();
    ["</script", "</style", "<!--"].iter().any(|end| text.contains(end))
}

/// Whole or not at all.
fn write(out: &Path, page: &str) -> Result<()> {
    let folder = out.parent().unwrap_or(Path::new(""));
    std::fs::create_dir_all(folder).with_context(|| format!("{} cannot be made", folder.display()))?;
    let new = out.with_extension("html.new");
    std::fs::write(&new, page)
        .and_then(|()| std::fs::rename(&new, out))
        .with_context(|| format!("{} cannot be written", out.display()))
}
