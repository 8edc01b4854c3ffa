#[allow(unused)]
fn x() {}
