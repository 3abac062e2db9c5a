//! Two runs at once in one process know nothing of each other: neither log nor the wish to stop is shared.

mod common;

use std::fs;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Condvar, Mutex};
use std::thread;
use std::time::Duration;

use common::{results, root, slow_pipeline};
use echograde::engine::plan::job::{Job, Resources};
use echograde::engine::run::run;
use echograde::engine::store::error::EngineError;
use echograde::engine::store::run_folder::Claim;
use echograde::engine::watch::Watch;
use echograde::engine::watch::screen::Screen;
use echograde::pipeline::load;
use echograde::stages::stage::TileStage;
use echograde::tile::at_work::Tile;
use tempfile::TempDir;

/// Where two runs wait for each other; not for ever, since one may have failed.
#[derive(Clone, Default)]
struct Meeting(Arc<(Mutex<usize>, Condvar)>);

impl Meeting {
    fn wait(&self) {
        let (arrived, changed) = &*self.0;
        let mut count = arrived.lock().unwrap();
        *count += 1;
        changed.notify_all();
        let both = changed.wait_timeout_while(count, Duration::from_secs(60), |count| *count < 2).unwrap();
        assert!(!both.1.timed_out(), "the other run does not come");
    }
}

/// Waits on the first tile until the other run works on its tiles, too; then does what is asked for.
struct Meets {
    met: AtomicBool,
    meeting: Meeting,
    then: Box<dyn Fn() + Send + Sync>,
}

impl TileStage for Meets {
    fn run(&self, _: &mut Tile<'_>) {
        if !self.met.swap(true, Ordering::Relaxed) {
            self.meeting.wait();
            (self.then)();
        }
    }
}

/// A run over the demo's clouds.
struct Run {
    folder: TempDir,
    stop: Arc<AtomicBool>,
}

impl Run {
    fn new() -> Self {
        Run { folder: TempDir::new().unwrap(), stop: Arc::default() }
    }

    fn out(&self) -> PathBuf {
        self.folder.path().join("out")
    }

    fn work(&self, meeting: Meeting, then: impl Fn() + Send + Sync + 'static) -> Result<(), EngineError> {
        let pipeline = slow_pipeline(self.folder.path(), &root().join("demo-data"));
        let resources = Resources { threads: 2, memory: 512 << 20 };
        let mut job = Job::prepare(load(&pipeline).unwrap(), resources).unwrap();
        job.chain.tiles.push(Box::new(Meets { met: AtomicBool::new(false), meeting, then: Box::new(then) }));
        let watch = Watch::new(self.stop.clone(), Screen::default());
        run(job, &self.out(), Claim::default(), &watch).map(|_| ())
    }

    /// The lines of a log without the times; the first one must be of this run.
    fn log(&self, folder: &Path) -> Vec<String> {
        let text = fs::read_to_string(folder.join("log.txt")).unwrap();
        let lines: Vec<String> = text.lines().map(|line| line[28..].to_string()).collect();
        let pipeline = self.folder.path().join("slow.yaml").display().to_string();
        assert!(lines[0].contains(&pipeline), "{text}");
        lines
    }
}

/// Does both runs at the same time.
fn both<'a>(
    one: impl FnOnce() -> Result<(), EngineError> + Send + 'a,
    other: impl FnOnce() -> Result<(), EngineError> + Send + 'a,
) -> (Result<(), EngineError>, Result<(), EngineError>) {
    thread::scope(|scope| {
        let (one, other) = (scope.spawn(one), scope.spawn(other));
        (one.join().unwrap(), other.join().unwrap())
    })
}

/// What a log reports of, without times and durations: `read the survey`.
fn steps(lines: &[String]) -> Vec<&str> {
    lines[1..].iter().map(|line| line.trim_start().split(':').next().unwrap()).collect()
}

const STEPS: [&str; 8] = [
    "INFO read the survey",
    "INFO read the reference",
    "INFO make surfaces",
    "INFO work on tiles",
    "INFO sum up",
    "INFO write products",
    "INFO write results",
    "INFO done",
];

#[test]
fn each_run_has_a_log_of_its_own_lines() {
    let (one, other, meeting) = (Run::new(), Run::new(), Meeting::default());
    let (first, second) = both(|| one.work(meeting.clone(), || ()), || other.work(meeting.clone(), || ()));
    first.and(second).unwrap();
    for run in [&one, &other] {
        assert_eq!(steps(&run.log(&run.out())), STEPS);
    }
    assert!(results(&one.out()).get("summary.json") == results(&other.out()).get("summary.json"));
}

#[test]
fn stopping_one_run_does_not_stop_the_other() {
    let (stopped, other, meeting) = (Run::new(), Run::new(), Meeting::default());
    let stop = stopped.stop.clone();
    let (first, second) = both(
        || stopped.work(meeting.clone(), move || stop.store(true, Ordering::Relaxed)),
        || other.work(meeting.clone(), || ()),
    );
    let error = first.unwrap_err();
    assert!(
        matches!(&error, EngineError::Resumable { source, .. } if matches!(**source, EngineError::Stopped(_)))
    );
    second.unwrap();
    assert!(!stopped.out().exists());
    let log = stopped.log(&stopped.out().with_extension("unfinished"));
    let ended: Vec<&str> = STEPS[..3].iter().copied().chain(["ERROR the run was stopped as asked"]).collect();
    assert_eq!(steps(&log), ended);
    assert_eq!(steps(&other.log(&other.out())), STEPS);
}
