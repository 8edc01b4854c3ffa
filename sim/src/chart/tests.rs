#[allow(unused)] fn x(){}
