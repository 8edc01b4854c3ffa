//! The parts of drawings.

use std::fmt::Write;

/// `text` for use in HTML and XML, without the characters that these do not allow.
pub(crate) fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for character in text.chars() {
        match character {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\n' => out.push('\n'),
            '\u{fffe}' | '\u{ffff}' => {}
            _ if character.is_control() => {}
            _ => out.push(character),
        }
    }
    out
}

/// `text` for use in HTML, with places at which a long name may be broken into lines: between its words, and not in a number.
pub(crate) fn breakable(text: &str) -> String {
    let mut out = String::new();
    let mut characters = text.chars().peekable();
    while let Some(character) = characters.next() {
        out += &escaped(character.encode_utf8(&mut [0; 4]));
        let in_name = matches!(character, '.' | '_' | '+');
        if in_name && characters.peek().is_some_and(|next| next.is_alphabetic()) {
            out.push_str("<wbr>");
        }
    }
    out
}

/// Adds `label` at a place; `anchor` names the part of the label that is there.
pub(crate) fn text(out: &mut String, (x, y): (f64, f64), anchor: &str, label: &str) {
    let label = escaped(label);
    // Writing to a string cannot fail.
    let _ = writeln!(out, "<text x=\"{x:.1}\" y=\"{y:.1}\" text-anchor=\"{anchor}\">{label}</text>");
}

/// A drawing's beginning: its ground, its title and a line under that. `described` is for who cannot see it.
pub(crate) fn opened((width, height): (f64, f64), title: &str, described: &str, caption: &str) -> String {
    let mut out = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width} {height}\" role=\"img\" font-family=\"system-ui, sans-serif\" \
         font-size=\"12\" fill=\"#1a1a1a\">\n<title>{}</title>\n<desc>{}</desc>\n<rect width=\"{width}\" height=\"{height}\" fill=\"#fff\"/>\n",
        escaped(title),
        escaped(described),
    );
    let shown = escaped(&fitted(title, 17.0 * 1.12, width - 48.0));
    // Writing to a string cannot fail.
    let _ = writeln!(out, "<text x=\"24\" y=\"26\" font-size=\"17\" font-weight=\"bold\">{shown}</text>");
    text(&mut out, (24.0, 46.0), "start", caption);
    out
}

/// The path around the area between an upper and a lower line through points (x, upper y, lower y).
pub(crate) fn area(points: &[(f64, f64, f64)]) -> String {
    let upper = points.iter().map(|&(x, upper, _)| (x, upper));
    let lower = points.iter().rev().map(|&(x, _, lower)| (x, lower));
    polyline(upper.chain(lower)) + "Z"
}

/// The path through points.
pub(crate) fn polyline(points: impl Iterator<Item = (f64, f64)>) -> String {
    let mut out = String::new();
    for (number, (x, y)) in points.enumerate() {
        let _ = write!(out, "{}{x:.1} {y:.1}", if number == 0 { 'M' } else { 'L' });
    }
    out
}

/// The path of bars on `bottom`, each as high as its share of `height`; neighbours of one height are joined. Bar `n`
/// reaches from `edge(n)` to `edge(n + 1)`.
pub(crate) fn shares(parts: &[f64], edge: impl Fn(usize) -> f64, bottom: f64, height: f64) -> String {
    let mut out = String::new();
    let mut index = 0;
    for run in parts.chunk_by(|a, b| (a - b).abs() < 0.005) {
        if run[0] > 0.0 {
            let (from, to) = (edge(index), edge(index + run.len()));
            let _ = write!(out, "M{from:.1} {bottom}V{:.1}H{to:.1}V{bottom}Z", bottom - height * run[0]);
        }
        index += run.len();
    }
    out
}

/// Estimated width of a text in a sans-serif face of this size: at least that in the usual faces.
pub(crate) fn width(label: &str, size: f64) -> f64 {
    let of = |character: char| match character {
        'i' | 'j' | 'l' | 'f' | 't' | 'r' | ' ' | '.' | ',' | ':' | ';' | '\'' | '|' | '(' | ')' | '-' | '!' => 0.4,
        'm' | 'w' | 'M' | 'W' | '%' | '@' | '…' | '—' => 1.0,
        'A'..='Z' | '−' | '+' | '=' | '<' | '>' | '&' | '_' | '°' => 0.74,
        '\u{0}'..='\u{2ff}' => 0.63,
        _ => 1.1,
    };
    size * label.chars().map(of).sum::<f64>()
}

/// A text shortened to a width, with an ellipsis for the omitted part.
pub(crate) fn fitted(label: &str, size: f64, most: f64) -> String {
    if width(label, size) <= most {
        return label.to_owned();
    }
    let mut kept = String::new();
    for character in label.chars() {
        kept.push(character);
        if width(&kept, size) + width("…", size) > most {
            kept.pop();
            break;
        }
    }
    kept.trim_end().to_owned() + "…"
}

/// A text in lines of limited width, broken at spaces except non-breaking ones. A word too wide for a line is
/// shortened.
pub(crate) fn wrapped(label: &str, size: f64, most: f64) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in label.split([' ', '\n']).filter(|word| !word.is_empty()) {
        let word = fitted(word, size, most);
        match lines.last_mut() {
            Some(line) if width(line, size) + width(" ", size) + width(&word, size) <= most => {
                line.push(' ');
                line.push_str(&word);
            }
            _ => lines.push(word),
        }
    }
    lines
}
