//! The page of the board of modules: its pin table and its drawing are those of the program.
//!
//! `FOREWARM_REFRESH=1 cargo test -p forewarm-tests --test module_page` writes both again.

use forewarm_firmware::wiring::{RP2040, To, Wire};
use forewarm_tests::root;
use std::fmt::Write;
use std::path::PathBuf;

fn page() -> PathBuf {
    root().join("firmware/docs/rp2040.md")
}

fn drawing() -> PathBuf {
    root().join("firmware/docs/rp2040.svg")
}

/// Holds a file to what the code says, or writes it.
fn hold(path: &PathBuf, wanted: &str) {
    if std::env::var_os("FOREWARM_REFRESH").is_some() {
        std::fs::write(path, wanted).expect("the file takes it");
    }
    let is = std::fs::read_to_string(path).unwrap_or_default();
    assert!(is == wanted, "{} differs from the pin table of the program: see the top of this test", path.display());
}

/// The pad of a pin on a module with twice twenty pads, of the usual layout. The rest of the pads are ground, supply and reset.
fn pad(gp: u8) -> Option<u8> {
    let pads =
        [1, 2, 4, 5, 6, 7, 9, 10, 11, 12, 14, 15, 16, 17, 19, 20, 21, 22, 24, 25, 26, 27, 29, 0, 0, 0, 31, 32, 34];
    pads.get(usize::from(gp)).copied().filter(|&pad| pad > 0)
}

const fn group(to: To) -> &'static str {
    match to {
        To::Service => "adapter of the service line",
        To::Bus => "all converter modules",
        To::Select => "one converter module each",
        To::Driver => "drivers",
        To::Opto => "opto-couplers",
        To::Divider => "dividers",
        To::Beside => "beside the module",
    }
}

#[test]
fn the_pin_table_is_that_of_the_program() {
    const BEGIN: &str = "<!-- pins: written by tests/tests/module_page.rs -->\n";
    const END: &str = "<!-- end of pins -->";
    let text = std::fs::read_to_string(page()).expect("the page");
    let (before, rest) = text.split_once(BEGIN).expect("a place for the table");
    let (_, after) = rest.split_once(END).expect("its end");
    let mut table = String::from("\n| pin | pad | what | how it is wired |\n|---|---|---|---|\n");
    for Wire { gp, what, how, .. } in RP2040 {
        let pad = pad(*gp).map_or("–".to_owned(), |pad| pad.to_string());
        writeln!(table, "| GP{gp} | {pad} | {what} | {how} |").expect("text");
    }
    hold(&page(), &format!("{before}{BEGIN}{table}\n{END}{after}"));
}

/// Pads that are no pins, by their number.
const OTHERS: [(u8, &str); 14] = [
    (3, "ground"),
    (8, "ground"),
    (13, "ground"),
    (18, "ground"),
    (23, "ground"),
    (28, "ground"),
    (30, "reset (RUN)"),
    (33, "analogue ground"),
    (35, ""),
    (36, "3.3 V out"),
    (37, ""),
    (38, "ground"),
    (39, "5 V in"),
    (40, ""),
];

const TOP: u32 = 70;
const PITCH: u32 = 24;
const LEFT: u32 = 520;
const RIGHT: u32 = 680;
const WIDTH: u32 = 1200;

/// Where a pad is drawn: the height, and whether it is on the left.
const fn place(pad: u8) -> (u32, bool) {
    let is_left = pad <= 20;
    let row = if is_left { pad - 1 } else { 40 - pad };
    (TOP + row as u32 * PITCH, is_left)
}

/// Draws what hangs on each pad, in groups.
fn draw() -> String {
    let height = TOP + 20 * PITCH + 20;
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {height}\" font-family=\"sans-serif\" font-size=\"13\">\n\
         <title>What is wired to each pad of the module</title>\n\
         <rect width=\"{WIDTH}\" height=\"{height}\" fill=\"#fff\"/>\n\
         <text x=\"{mid}\" y=\"24\" text-anchor=\"middle\" font-size=\"16\">the module, seen from above, its USB socket at the top</text>\n\
         <rect x=\"{LEFT}\" y=\"{body}\" width=\"{wide}\" height=\"{tall}\" rx=\"6\" fill=\"#eef1ec\" stroke=\"#333\"/>\n\
         <rect x=\"{socket}\" y=\"{socket_top}\" width=\"36\" height=\"24\" fill=\"#ccc\" stroke=\"#333\"/>\n",
        mid = WIDTH / 2,
        body = TOP - 20,
        wide = RIGHT - LEFT,
        tall = 20 * PITCH + 16,
        socket = WIDTH / 2 - 18,
        socket_top = TOP - 32,
    );
    let mut rows: Vec<(u8, String, String, Option<To>)> = OTHERS
        .iter()
        .filter(|(_, what)| !what.is_empty())
        .map(|&(pad, what)| (pad, String::new(), what.to_owned(), None))
        .collect();
    for wire in RP2040 {
        if let Some(pad) = pad(wire.gp) {
            rows.push((pad, format!("GP{}", wire.gp), wire.what.to_owned(), Some(wire.to)));
        }
    }
    rows.sort_by_key(|row| row.0);
    for (pad, name, what, to) in &rows {
        let (y, is_left) = place(*pad);
        let colour = if to.is_some() { "#1a4f8b" } else { "#777" };
        let (x, end, inside, outside, anchor, inner) = if is_left {
            (LEFT, LEFT - 40, LEFT + 8, LEFT - 46, "end", "start")
        } else {
            (RIGHT, RIGHT + 40, RIGHT - 8, RIGHT + 46, "start", "end")
        };
        let text = y + 4;
        writeln!(
            svg,
            "<line x1=\"{x}\" y1=\"{y}\" x2=\"{end}\" y2=\"{y}\" stroke=\"{colour}\" stroke-width=\"2\"/>\
             <circle cx=\"{x}\" cy=\"{y}\" r=\"4\" fill=\"#fff\" stroke=\"#333\"/>\
             <text x=\"{inside}\" y=\"{text}\" text-anchor=\"{inner}\">{pad} {name}</text>\
             <text x=\"{outside}\" y=\"{text}\" text-anchor=\"{anchor}\" fill=\"{colour}\">{what}</text>"
        )
        .expect("text");
    }
    // A bracket for each run of neighbours that go to the same kind of thing.
    let wired: Vec<_> = rows.iter().filter_map(|(pad, _, _, to)| to.map(|to| (place(*pad), to))).collect();
    for run in wired.chunk_by(|one, next| one.1 == next.1 && one.0.1 == next.0.1) {
        let ys = run.iter().map(|(place, _)| place.0);
        let (from, to) = (ys.clone().min().expect("a run") - 9, ys.max().expect("a run") + 9);
        let ((_, is_left), kind) = run[0];
        let (x, lip, text, anchor) = if is_left { (270, 278, 262, "end") } else { (930, 922, 938, "start") };
        writeln!(
            svg,
            "<path d=\"M{lip} {from} H{x} V{to} H{lip}\" fill=\"none\" stroke=\"#333\"/>\
             <text x=\"{text}\" y=\"{middle}\" text-anchor=\"{anchor}\" font-weight=\"bold\">{label}</text>",
            middle = u32::midpoint(from, to) + 4,
            label = group(kind),
        )
        .expect("text");
    }
    svg.push_str("</svg>\n");
    svg
}

#[test]
fn the_drawing_is_that_of_the_pin_table() {
    hold(&drawing(), &draw());
}

#[test]
fn every_wire_but_the_lamp_has_a_pad_and_no_pad_has_two() {
    let mut pads: Vec<u8> = RP2040.iter().filter_map(|wire| pad(wire.gp)).collect();
    pads.extend(OTHERS.map(|(pad, _)| pad));
    pads.sort_unstable();
    assert_eq!(pads, (1..=40).collect::<Vec<u8>>());
    let without: Vec<_> = RP2040.iter().filter(|wire| pad(wire.gp).is_none()).map(|wire| wire.name).collect();
    assert_eq!(without, ["lamp"]);
}
