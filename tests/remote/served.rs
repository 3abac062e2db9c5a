//! The real program and the real client, against a web server on this machine.

use std::fs;
use std::path::Path;

use tempfile::TempDir;

use crate::common::{Working, contains_all, describe, echograde, manifest, run_in_parts, slow_pipeline};
use crate::server::{Fate, Server};
use crate::{comparable, demo, over_files, pipeline, run_from};

/// The demo's clouds on a server; its survey's first strip is treated as `fate` says.
fn serve(fate: impl Fn(u64) -> Fate + Send + Sync + 'static) -> Server {
    let objects = demo().into_iter().map(|(name, bytes)| (format!("/demo/{name}"), bytes));
    Server::start(
        objects,
        move |name, before| {
            if name == "/demo/survey/strip-101.laz" { fate(before) } else { Fate::Answered }
        },
    )
}

/// The pipeline over what a server has.
fn over_server(folder: &Path, server: &Server, query: &str) -> std::path::PathBuf {
    let base = format!("http://{}/demo", server.host);
    let strip = |number: u32| format!("'{base}/survey/strip-{number}.laz{query}'");
    pipeline(
        folder,
        &format!("{}, {}", strip(101), strip(102)),
        &format!("'{base}/reference/scan.laz{query}'"),
        false,
    )
}

#[test]
fn the_program_reads_from_a_web_server_what_it_reads_from_files_even_if_answers_fail_now_and_then() {
    let folder = TempDir::new().unwrap();
    let files = folder.path().join("files");
    run_from(&over_files(folder.path(), false), None, &files).unwrap();
    // Out of order twice when opened, later an answer that breaks off, and one more error.
    let server = serve(|before| match before {
        0 | 1 => Fate::Status(503),
        5 => Fate::CutOff,
        8 => Fate::Status(500),
        _ => Fate::Answered,
    });
    let file = over_server(folder.path(), &server, "?token=hushed");
    let out = folder.path().join("objects");
    let run =
        echograde().arg("run").arg(&file).arg("--out").arg(&out).env("RUST_LOG", "trace").output().unwrap();
    assert!(run.status.success(), "{}", describe(&run));
    assert!(comparable(&files) == comparable(&out));
    assert!(!describe(&run).contains("hushed"), "secrets are shown");
    let (asked, queries) = (server.take(), server.queries());
    assert!(queries.iter().all(|query| query == "token=hushed"));
    let sizes = demo();
    for (name, asked) in &asked {
        println!("{name}: {} bytes by {asked:?}", sizes[&name["/demo/".len()..]].len());
    }
    // In parts, which know of the objects only what the server says.
    let parts = run_in_parts(&file, 3);
    assert!(comparable(&files) == comparable(&parts.out));
    // What stands in the headers, and all of a cloud.
    let check = echograde().arg("check").arg(&file).output().unwrap();
    assert!(check.status.success(), "{}", describe(&check));
    contains_all(&describe(&check), &["strip-101.laz"]);
    // A job mounts no address, and sites are looked for in the survey.
    let job = |of: &[&str]| {
        let output = echograde().arg(of[0]).arg(&file).args(&of[1..]).output().unwrap();
        assert!(output.status.success() && !describe(&output).contains("hushed"), "{}", describe(&output));
        String::from_utf8(output.stdout).unwrap()
    };
    let [county, plan] = ["county", "plan"].map(|name| folder.path().join(name).display().to_string());
    let written = job(&["cluster", "--parts", "2", "--for", "kubernetes", "--out", &county]);
    assert!(written.contains(&county) && !written.contains(&server.host), "{written}");
    contains_all(&job(&["plan", "--open", "3", "--out", &plan]), &["open"]);
    let address = format!("http://{}/demo/survey/strip-102.laz", server.host);
    let of = |cloud: &str| {
        let output = echograde().args(["inspect", "--json", cloud]).output().unwrap();
        assert!(output.status.success() && !describe(&output).contains("hushed"), "{}", describe(&output));
        String::from_utf8(output.stdout).unwrap()
    };
    let own = crate::root().join("demo-data/survey/strip-102.laz").display().to_string();
    assert_eq!(of(&format!("{address}?token=hushed")), of(&own).replace(&own, &address));
}

#[test]
fn an_interrupted_run_continues_though_its_addresses_are_signed_again_and_hashes_nothing_anew() {
    let folder = TempDir::new().unwrap();
    let server = serve(|_| Fate::Answered);
    let data = folder.path().join("unused");
    let file = slow_pipeline(folder.path(), &data);
    let slow = fs::read_to_string(&file).unwrap();
    let signed = |signature: &str| {
        let base = format!("http://{}/demo", server.host);
        let survey = format!("files: ['{base}/survey/strip-101.laz?sig={signature}']");
        let reference = format!("files: ['{base}/reference/scan.laz?sig={signature}']");
        let shown = data.display().to_string().replace('\\', "/");
        let text = slow.replace(&format!("files: ['{shown}/survey/*.laz']"), &survey);
        fs::write(&file, text.replace(&format!("files: ['{shown}/reference/*.laz']"), &reference)).unwrap();
    };
    let out = folder.path().join("out");
    signed("hushed1");
    let mut working = Working::start(&file, &out, &["--threads", "1"]);
    working.wait_for_tiles();
    working.kill();
    let first = server.take();
    signed("hushed2");
    let resumed = Working::start(&file, &out, &["--resume"]).end();
    assert!(resumed.status.success(), "{}", describe(&resumed));
    contains_all(&describe(&resumed), &["continuing the interrupted run"]);
    let second = server.take();
    for (name, asked) in second {
        println!("{name}: {:?} before, {asked:?} to continue", first[&name]);
        assert!(asked.bytes < first[&name].bytes / 2, "{name}: {asked:?}, {:?} before", first[&name]);
    }
    assert!(!fs::read_to_string(out.join("manifest.json")).unwrap().contains("hushed"));
    assert!(manifest(&out)["inputs"][0]["entity_tag"].is_string());
}

#[test]
fn what_a_server_refuses_is_told_with_the_remedy_and_without_secrets() {
    let folder = TempDir::new().unwrap();
    for (fate, said) in [
        (Fate::Status(404), "there is no such object. Check the address"),
        (Fate::Status(403), "the store refuses access. Check the credentials"),
        (Fate::Status(401), "the store asks for credentials"),
        (Fate::Whole, "the server sends whole objects only"),
    ] {
        let server = serve(move |_| fate);
        let file = over_server(folder.path(), &server, "?token=hushed");
        let check = echograde().arg("check").arg(&file).output().unwrap();
        assert_eq!(check.status.code(), Some(1), "{}", describe(&check));
        let shown = format!("http://{}/demo/survey/strip-101.laz: cannot be opened: {said}", server.host);
        contains_all(&describe(&check), &[&shown]);
        assert!(!describe(&check).contains("hushed"), "{}", describe(&check));
    }
    let server = serve(|before| if before == 6 { Fate::Changed } else { Fate::Answered });
    let file = over_server(folder.path(), &server, "?token=hushed");
    let run = echograde().arg("run").arg(&file).arg("--out").arg(folder.path().join("out")).output().unwrap();
    assert_eq!(run.status.code(), Some(1), "{}", describe(&run));
    contains_all(&describe(&run), &["strip-101.laz: changed while it was being read"]);
}

#[test]
fn a_bucket_is_listed_and_read_through_the_client_for_s3() {
    let folder = TempDir::new().unwrap();
    let files = folder.path().join("files");
    run_from(&over_files(folder.path(), false), None, &files).unwrap();
    let server = serve(|_| Fate::Answered);
    let file =
        pipeline(folder.path(), "'s3://demo/surv*/strip-10[12].laz'", "s3://demo/reference/scan.laz", false);
    let out = folder.path().join("bucket");
    let run = echograde()
        .arg("run")
        .arg(&file)
        .arg("--out")
        .arg(&out)
        .env("RUST_LOG", "trace")
        .env("AWS_ENDPOINT_URL", format!("http://{}", server.host))
        .env("AWS_ALLOW_HTTP", "true")
        .env("AWS_REGION", "eu-west-1")
        .env("AWS_ACCESS_KEY_ID", "AKSECRETID")
        .env("AWS_SECRET_ACCESS_KEY", "AKSECRETKEY")
        .output()
        .unwrap();
    assert!(run.status.success(), "{}", describe(&run));
    assert!(comparable(&files) == comparable(&out));
    assert_eq!(manifest(&out)["inputs"][1]["path"], "s3://demo/survey/strip-102.laz");
    for text in [describe(&run), fs::read_to_string(out.join("log.txt")).unwrap()] {
        assert!(!text.contains("AKSECRET"), "credentials are shown");
    }
}
