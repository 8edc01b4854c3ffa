//! Cases between a fuzzer's folders and the files of the repository.
//!
//! `corpus pack NAME CONTROL` writes the corpus of an oracle: of the cases that a merge has looked at, those that together
//! reach the most. CONTROL is what the fuzzer wrote under `-merge_control_file`, with `-set_cover_merge=1`. `corpus unpack NAME FOLDER` writes each
//! case as a file. `corpus add NAME FILE REASON` adds one case, with what it caught.

use forewarm_oracles::corpus;
use std::collections::BTreeSet;
use std::fs::{create_dir_all, read, read_to_string, write};
use std::io;
use std::process::ExitCode;

/// The most cases of a corpus, and the most bytes of them: every test run plays all.
const MOST_CASES: usize = 60;
const MOST_BYTES: usize = 100_000;

fn main() -> io::Result<ExitCode> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    match arguments.iter().map(String::as_str).collect::<Vec<_>>()[..] {
        ["pack", name, control] => {
            let cases = chosen(&read_to_string(control)?)?;
            // What was added by hand stays, with its reason.
            let old = read_to_string(corpus::path(name)).unwrap_or_default();
            write(corpus::path(name), corpus::reasoned(&old) + &corpus::text(cases))?;
        }
        ["unpack", name, folder] => {
            create_dir_all(folder)?;
            for (line, case) in corpus::cases(&read_to_string(corpus::path(name))?) {
                write(format!("{folder}/{name}-{line}"), case)?;
            }
        }
        ["add", name, file, reason] => {
            let old = read_to_string(corpus::path(name)).unwrap_or_default();
            write(corpus::path(name), format!("# {reason}\n{}{old}", corpus::text(vec![read(file)?])))?;
        }
        _ => {
            eprintln!("corpus pack NAME CONTROL | unpack NAME FOLDER | add NAME FILE REASON");
            return Ok(ExitCode::FAILURE);
        }
    }
    Ok(ExitCode::SUCCESS)
}

/// The cases that together reach the most of what the fuzzer tells apart.
///
/// A control file has the number of cases, a line that is not needed here, the path of each, and what each reaches:
/// `FT case feature feature...`.
fn chosen(control: &str) -> io::Result<Vec<Vec<u8>>> {
    let mut lines = control.lines();
    let count: usize = lines.next().and_then(|count| count.parse().ok()).unwrap_or(0);
    let paths: Vec<&str> = lines.by_ref().skip(1).take(count).collect();
    let mut reached: Vec<BTreeSet<u64>> = vec![BTreeSet::new(); count];
    for line in lines {
        let Some(numbers) = line.strip_prefix("FT ") else { continue };
        let mut numbers = numbers.split(' ').filter_map(|number| number.parse::<u64>().ok());
        let case = numbers.next().and_then(|case| usize::try_from(case).ok()).unwrap_or(count);
        if let Some(reached) = reached.get_mut(case) {
            reached.extend(numbers);
        }
    }
    let (mut kept, mut bytes) = (Vec::new(), 0);
    while kept.len() < MOST_CASES {
        let Some((best, most)) = reached.iter().enumerate().max_by_key(|(_, reached)| reached.len()) else { break };
        if most.is_empty() {
            break;
        }
        let most = std::mem::take(&mut reached[best]);
        let case = read(paths[best]).map_err(|error| io::Error::other(format!("{}: {error}", paths[best])))?;
        if bytes + case.len() > MOST_BYTES {
            continue;
        }
        for others in &mut reached {
            others.retain(|what| !most.contains(what));
        }
        bytes += case.len();
        kept.push(case);
    }
    Ok(kept)
}
