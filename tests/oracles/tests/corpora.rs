//! Every case that was found worth keeping, and what makes new ones.

use forewarm_oracles::{ALL, corpus};

/// Cases of each oracle, and those of no other.
#[test]
fn every_oracle_has_a_corpus_and_every_corpus_an_oracle() {
    let mut files: Vec<String> = std::fs::read_dir(corpus::path(""))
        .expect("the corpora")
        .map(|entry| entry.expect("an entry").file_name().into_string().expect("a plain name"))
        .collect();
    files.sort();
    assert_eq!(files, ALL.map(|(name, _)| name));
}

macro_rules! holds {
    ($($test:ident: $oracle:ident,)*) => {$(
        #[test]
        fn $test() {
            replay(stringify!($oracle), forewarm_oracles::$oracle);
        }
    )*};
}

holds! {
    frames_are_found_whatever_stands_between_them: frames,
    files_are_planned_or_refused_with_a_place: installation,
    logs_read_alike_on_both_paths: log,
    what_is_kept_is_found_again: pages,
    settings_are_refused_with_a_place_or_read_as_written: settings,
    the_promises_hold_in_every_step: steps,
}

fn replay(name: &str, oracle: forewarm_oracles::Oracle) {
    let text = std::fs::read_to_string(corpus::path(name)).unwrap_or_else(|error| panic!("{name}: {error}"));
    let cases = corpus::cases(&text);
    assert!(cases.len() >= 20, "{name} has {} cases only", cases.len());
    // It is played in every test run, and fetched with the sources.
    assert!(cases.len() <= 80 && text.len() <= 280_000, "{name} has {} cases, {} bytes", cases.len(), text.len());
    for (line, case) in cases {
        println!("{name}, line {line}");
        oracle(&case);
    }
}
