//! Keeps the list of explained survivors of mutation testing in step with the code.

use forewarm_tests::mutants::{Survivor, explained};
use forewarm_tests::root;
use std::fs::read_to_string;

/// The lines of a function, without their indents.
fn lines_of<'s>(source: &'s str, function: &str) -> Vec<Vec<&'s str>> {
    let name = function.rsplit("::").next().expect("a name");
    let is_head = |line: &str| {
        let after = line.trim_start().split_once(&format!("fn {name}")).map(|(_, after)| after);
        after.is_some_and(|after| after.starts_with(['(', '<']))
    };
    let indent = |line: &str| line.len() - line.trim_start().len();
    let lines: Vec<&str> = source.lines().collect();
    let heads = lines.iter().enumerate().filter(|(_, line)| is_head(line));
    heads
        .map(|(at, head)| {
            let closes = |line: &&str| indent(line) == indent(head) && line.trim_start().starts_with('}');
            let end = lines[at..].iter().position(closes).map_or(lines.len(), |length| at + length);
            lines[at..end].iter().map(|line| line.trim()).collect()
        })
        .collect()
}

/// What the change takes away from the line, if that stands in it: `None` for a body that is replaced.
fn taken(survivor: &Survivor) -> Option<&str> {
    let change = survivor.change.strip_prefix("delete ").or_else(|| {
        let (old, _) = survivor.change.strip_prefix("replace ")?.rsplit_once(" with ")?;
        (!old.starts_with(&survivor.function)).then(|| old.strip_prefix("match guard ").unwrap_or(old))
    })?;
    Some(change)
}

#[test]
fn each_explained_survivor_is_still_a_change_of_the_code() {
    let survivors = explained();
    assert!(!survivors.is_empty());
    for survivor in &survivors {
        let source = read_to_string(root().join(&survivor.file));
        let source = source.unwrap_or_else(|error| panic!("{survivor}: {error}"));
        let bodies = lines_of(&source, &survivor.function);
        assert!(!bodies.is_empty(), "{survivor}: there is no such function any more");
        let is_there = bodies.iter().flatten().any(|line| *line == survivor.line);
        assert!(is_there, "{survivor}: the function no longer has that line: try the change again");
        if let Some(taken) = taken(survivor) {
            assert!(survivor.line.contains(taken), "{survivor}: the line has no `{taken}`");
        }
    }
}

#[test]
fn each_survivor_is_explained_once_and_in_words() {
    let survivors = explained();
    for (at, survivor) in survivors.iter().enumerate() {
        assert!(!survivors[..at].iter().any(|other| other.is(survivor)), "{survivor}: twice");
        assert!(survivor.why.split(' ').count() >= 5 && survivor.why.ends_with('.'), "{survivor}: no reason");
    }
}
