use std::path::Path;
#[test]
fn probe() {
    println!("{}", echograde::cli::stages::stages(None).unwrap());
    println!("{}", echograde::cli::stages::stages(Some("pipeline")).unwrap());
    for e in std::fs::read_dir("/tmp/probe").unwrap() {
        let p = e.unwrap().path();
        match echograde::pipeline::load(&p) {
            Ok(l) => println!("OK {p:?}\n{}", echograde::pipeline::resolved::resolved_yaml(&l.pipeline)),
            Err(e) => println!("{e}"),
        }
    }
    let _ = Path::new("x");
}
