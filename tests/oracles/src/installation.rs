//! Installation files.

use forewarm::diagnostic::Severity;
use forewarm::installation::Installation;
use forewarm::plan::{Plan, Subject};

/// The longest file. The examples have 10 to 20 kB.
const LONGEST: usize = 40_000;

/// One file in so many is planned, by its length. A plan takes a thousand times as long as reading the file.
const PLANNED: usize = 16;

/// Whatever is in a file, it is refused with a place and a reason, or it has valid settings and a plan of finite numbers.
///
/// # Panics
/// If not.
pub fn installation(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(&data[..data.len().min(LONGEST)]) else { return };
    // What a file names beside itself is not what is judged.
    if text.contains('/') {
        return;
    }
    match Installation::parse("bank.toml", text) {
        Ok(installation) => {
            assert!(installation.warnings.iter().all(|problem| problem.severity != Severity::Error));
            assert!(installation.settings.clone().into_inner().validate().is_ok());
            if let Some(subject) = Subject::of(&installation).filter(|_| data.len().is_multiple_of(PLANNED)) {
                let plan = Plan::of(subject, None);
                let odd = not_finite(&format!("{plan:?}"));
                assert!(odd.is_none(), "not a number: {odd:?}");
                serde_json::to_string(&plan).expect("a plan is text");
            }
        }
        Err(problems) => {
            assert!(problems.iter().any(|problem| problem.severity == Severity::Error), "refused without an error");
            for problem in problems {
                assert!(!problem.message.is_empty());
                assert!(problem.to_string().contains("bank.toml"), "no place: {problem}");
            }
        }
    }
}

/// A number that is none, with what stands before it, in the `Debug` form of something. What stands in quotes is a name.
fn not_finite(debug: &str) -> Option<String> {
    let (mut plain, mut quoted, mut escaped) = (String::new(), false, false);
    for letter in debug.chars() {
        match letter {
            '"' if !escaped => quoted = !quoted,
            letter if !quoted => plain.push(letter),
            _ => {}
        }
        escaped = quoted && letter == '\\' && !escaped;
    }
    let words: Vec<&str> = plain.split(|letter: char| !letter.is_alphanumeric() && letter != '_').collect();
    let at = words.iter().position(|&word| word == "NaN" || word == "inf")?;
    Some(words[at.saturating_sub(12)..=at].join(" "))
}
