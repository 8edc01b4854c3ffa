//! The safety case names tests as its evidence. Each of them exists, and is run.

use forewarm_tests::root;
use std::collections::BTreeSet;
use std::fs::{read_dir, read_to_string};
use std::path::Path;

/// What a page says in backticks that reads like the name of a test.
fn named(page: &str) -> BTreeSet<&str> {
    let words = page.split('`').skip(1).step_by(2);
    words
        .filter(|word| {
            word.matches('_').count() >= 3
                && word.bytes().all(|byte| byte.is_ascii_lowercase() || byte.is_ascii_digit() || byte == b'_')
        })
        .collect()
}

/// The functions of a source that are tests which every run includes.
fn tests_of(source: &str, found: &mut BTreeSet<String>) {
    let (mut is_test, mut is_left_out) = (false, false);
    for line in source.lines().map(str::trim) {
        if let Some(name) = line.strip_prefix("fn ").filter(|_| is_test && !is_left_out) {
            found.insert(name.split(['(', '<']).next().unwrap_or_default().to_owned());
        }
        // Attributes and comments may stand before the function, in any order.
        match line {
            _ if line.starts_with("#[ignore") => is_left_out = true,
            "#[test]" => is_test = true,
            _ if !line.starts_with("#[") && !line.starts_with("//") => (is_test, is_left_out) = (false, false),
            _ => {}
        }
    }
}

fn tests_under(folder: &Path, found: &mut BTreeSet<String>) {
    for entry in read_dir(folder).expect("a folder").map(|entry| entry.expect("an entry")) {
        let path = entry.path();
        if path.is_dir() {
            tests_under(&path, found);
        } else if path.extension().is_some_and(|ending| ending == "rs") {
            tests_of(&read_to_string(&path).expect("a source"), found);
        }
    }
}

#[test]
fn every_test_that_the_safety_case_names_is_there_and_runs() {
    let mut found = BTreeSet::new();
    for folder in ["core/src", "firmware/src", "sim/src", "sim/tests", "tests/tests"] {
        tests_under(&root().join(folder), &mut found);
    }
    let page = read_to_string(root().join("core/docs/safety.md")).expect("the safety case");
    let named = named(&page);
    assert!(named.len() > 30, "the page names tests: {named:?}");
    let lost: Vec<&&str> = named.iter().filter(|name| !found.contains(**name)).collect();
    assert!(lost.is_empty(), "the safety case names tests that are not there, or not in every run: {lost:#?}");
}

#[test]
fn a_test_that_is_gone_or_left_out_is_missed() {
    let mut found = BTreeSet::new();
    tests_of(
        "#[test]\nfn one_two_three_four() {}\n#[test]\n#[ignore = \"long\"]\nfn a_b_c_d() {}\n#[ignore]\n#[test]\nfn e_f_g_h() {}\nfn no_test_at_all() {}",
        &mut found,
    );
    assert_eq!(found.into_iter().collect::<Vec<_>>(), ["one_two_three_four"]);
    assert_eq!(named("see `a_b_c_d`, `faults`, `charge.release_c`").into_iter().collect::<Vec<_>>(), ["a_b_c_d"]);
}
