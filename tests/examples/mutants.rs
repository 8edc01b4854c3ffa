//! `mutants OUTCOMES...` prints the survivors of runs of cargo-mutants that `tests/data/mutants.toml` does not explain. Each argument is
//! a file `outcomes.json`.

use forewarm_tests::mutants::{explained, found};
use std::process::ExitCode;

fn main() -> ExitCode {
    let explained = explained();
    let (mut tried, mut survived, mut unexplained) = (0, 0, 0);
    for path in std::env::args().skip(1) {
        let outcomes = match std::fs::read_to_string(&path) {
            Ok(outcomes) => outcomes,
            Err(error) => {
                eprintln!("{path}: {error}");
                return ExitCode::from(2);
            }
        };
        let (survivors, count) = found(&outcomes);
        tried += count;
        survived += survivors.len();
        for survivor in survivors.iter().filter(|survivor| !explained.iter().any(|known| known.is(survivor))) {
            unexplained += 1;
            println!("{survivor}");
        }
    }
    println!("{tried} tried, {survived} survived, {unexplained} of them unexplained");
    if tried == 0 || unexplained > 0 { ExitCode::FAILURE } else { ExitCode::SUCCESS }
}
