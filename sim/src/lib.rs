//! Library of the `forewarm` command.
