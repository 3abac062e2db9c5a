//! One file of the classified cloud: many workers decode, judge and encode blocks, one writer puts them into the file in their
//! order.
//!
//! The writer hands out blocks, each with a channel of its own for the chunks that come of it, and empties these channels one
//! after another. So chunks are in order without being sorted, and no worker runs farther ahead than the blocks that are handed out: memory
//! is bounded, and the bytes do not depend on who was faster.

use std::collections::VecDeque;
use std::fs::File;
use std::io::{BufWriter, Seek, Write};
use std::path::Path;
use std::sync::{Mutex, PoisonError};
use std::{iter, thread};

use crossbeam_channel::{Receiver, Sender, bounded};

use crate::cloud::point::{Decoded, Fields};
use crate::cloud::{Block, ChunkEncoder, CopyError, CopyPlan, CopyWriter, Decoder, Placing, Source};
use crate::engine::export::classify::{Classified, Classifier, Verdict};
use crate::engine::plan::added::Added;
use crate::engine::store::error::{EngineError, guarded};
use crate::engine::watch::Watch;
use crate::engine::watch::progress::Progress;
use crate::units::Unit;

/// Chunks of a block that may wait for the writer.
const WAITING: usize = 2;

/// Blocks that are handed out beside those that workers are at.
const AHEAD: usize = 2;

/// A file to be written.
pub struct CopyJob<'a> {
    /// What is read.
    pub source: &'a Source,
    /// How it is written again.
    pub plan: &'a CopyPlan,
    /// Units of its x and y, and of its z.
    pub units: (Unit, Unit),
    /// What is laid down for it.
    pub placing: Placing,
    /// The fields that judging looks at.
    pub fields: Fields,
    /// What judges its points.
    pub classifier: &'a Classifier<'a>,
    /// What is added to its points, in order.
    pub added: &'a [Added],
    /// Workers.
    pub workers: usize,
}

/// A chunk that is ready, and how many points it holds.
type Chunk = (Vec<u8>, u64);

/// A block that is handed out.
struct Task<'a> {
    block: &'a Block,
    chunks: Sender<Result<Chunk, EngineError>>,
}

impl CopyJob<'_> {
    /// Writes the file to `target`, and counts what became of its points.
    ///
    /// # Errors
    /// Where the source cannot be read, the disk does not take the file, or the run is asked to stop.
    pub fn write(
        &self,
        target: &Path,
        watch: &Watch,
        progress: &Progress<'_>,
    ) -> Result<Classified, EngineError> {
        let ahead = self.workers + AHEAD;
        // Room for all that are handed out: the writer never waits for workers here, but in its turn for chunks.
        let (hand_out, tasks) = bounded(ahead);
        let counts = Mutex::new(Classified::default());
        thread::scope(|scope| {
            let writer = scope.spawn(|| {
                let doing = || format!("writing {}", target.display());
                guarded(doing, || self.put_in_order(hand_out, ahead, target, progress))
            });
            rayon::broadcast(|worker| {
                if worker.index() < self.workers {
                    let found = self.work(&tasks, watch);
                    counts.lock().unwrap_or_else(PoisonError::into_inner).merge(&found);
                }
            });
            writer.join().unwrap_or_else(|_| {
                let doing = format!("writing {}", target.display());
                Err(EngineError::Internal { doing, message: "the writer stopped".into() })
            })
        })?;
        Ok(counts.into_inner().unwrap_or_else(PoisonError::into_inner))
    }

    /// Hands out the blocks, and writes what comes of them in their order.
    fn put_in_order<'b>(
        &'b self,
        hand_out: Sender<Task<'b>>,
        ahead: usize,
        target: &Path,
        progress: &Progress<'_>,
    ) -> Result<(), EngineError> {
        let failed = || EngineError::disk(target, "writing the classified cloud");
        let file = BufWriter::with_capacity(1 << 20, File::create(target).map_err(failed())?);
        let mut writer = CopyWriter::start(self.plan, file).map_err(failed())?;
        let mut blocks = self.source.blocks().iter();
        let mut under_way: VecDeque<(&Block, Receiver<_>)> = VecDeque::new();
        loop {
            for block in blocks.by_ref().take(ahead - under_way.len()) {
                let (chunks, ready) = bounded(WAITING);
                if hand_out.send(Task { block, chunks }).is_ok() {
                    under_way.push_back((block, ready));
                }
            }
            let Some((block, ready)) = under_way.pop_front() else { break };
            let written = write_chunks(&mut writer, &ready, target)?;
            if written != block.points {
                let doing = format!("writing {}, block {}", target.display(), block.number + 1);
                let message = format!("{written} of {} points were encoded", block.points);
                return Err(EngineError::Internal { doing, message });
            }
            progress.advance(written);
        }
        drop(hand_out);
        match writer.finish() {
            Ok(_) => Ok(()),
            Err(CopyError::Source(error)) => Err(error.into()),
            Err(CopyError::Target(error)) => Err(failed()(error)),
        }
    }

    /// Encodes blocks until there are no more; what goes wrong goes to the writer.
    fn work(&self, tasks: &Receiver<Task<'_>>, watch: &Watch) -> Classified {
        let mut worker = Worker::new(self);
        for task in tasks {
            let doing =
                || format!("copying {}, block {}", self.source.path().display(), task.block.number + 1);
            let done = guarded(doing, || {
                watch.check()?;
                worker.encode(&task)
            });
            if let Err(error) = done {
                // It may have stopped for another reason.
                let _ = task.chunks.send(Err(error));
                break;
            }
        }
        worker.counts
    }
}

/// Writes the chunks of a block; gives the number of points in them.
fn write_chunks<W: Write + Seek>(
    writer: &mut CopyWriter<'_, W>,
    ready: &Receiver<Result<Chunk, EngineError>>,
    target: &Path,
) -> Result<u64, EngineError> {
    let mut written = 0;
    for chunk in ready {
        let (bytes, points) = chunk?;
        writer.add(&bytes, points).map_err(EngineError::disk(target, "writing the classified cloud"))?;
        written += points;
    }
    Ok(written)
}

/// What a worker needs, and the memory that it uses again.
struct Worker<'a> {
    job: &'a CopyJob<'a>,
    decoder: Option<Decoder>,
    encoder: ChunkEncoder,
    records: Vec<u8>,
    points: Vec<Decoded>,
    verdicts: Vec<Verdict>,
    /// Records with what is added to them.
    longer: Vec<u8>,
    counts: Classified,
}

impl<'a> Worker<'a> {
    fn new(job: &'a CopyJob<'a>) -> Self {
        Worker {
            job,
            decoder: None,
            encoder: job.plan.encoder(),
            records: Vec::new(),
            points: Vec::new(),
            verdicts: Vec::new(),
            longer: Vec::new(),
            counts: Classified::default(),
        }
    }

    /// Decodes a block, judges its points, and sends the chunks that come of it.
    fn encode(&mut self, task: &Task<'_>) -> Result<(), EngineError> {
        let job = self.job;
        let mut decoder = match self.decoder.take() {
            Some(decoder) => decoder,
            None => job.source.decoder(job.fields, job.units.0, job.units.1)?.placed(job.placing),
        };
        let most = job.plan.most_in_chunk(task.block);
        let (length, _) = job.plan.record_lengths();
        self.records.clear();
        self.points.clear();
        let mut failed = Ok(());
        decoder.for_each_record_batch(task.block, |mut records, mut points| {
            while !points.is_empty() && failed.is_ok() {
                let some = points.len().min(most - self.points.len());
                self.points.extend_from_slice(&points[..some]);
                self.records.extend_from_slice(&records[..some * length]);
                (records, points) = (&records[some * length..], &points[some..]);
                if self.points.len() == most {
                    failed = self.send(task);
                }
            }
        })?;
        failed?;
        if !self.points.is_empty() {
            self.send(task)?;
        }
        self.decoder = Some(decoder);
        Ok(())
    }

    /// Judges the points at hand and sends them as a chunk.
    fn send(&mut self, task: &Task<'_>) -> Result<(), EngineError> {
        let job = self.job;
        let Worker { encoder, records, points, verdicts, longer, counts, .. } = self;
        job.classifier.judge(points, verdicts, counts)?;
        let (length, _) = job.plan.record_lengths();
        for (record, (decoded, verdict)) in
            records.chunks_exact_mut(length).zip(iter::zip(&*points, &*verdicts))
        {
            let class = verdict.class(decoded.point.class);
            if class != decoded.point.class {
                job.plan.set_class(record, class);
            }
        }
        let bytes = if job.added.is_empty() {
            encoder.encode(records)
        } else {
            longer.clear();
            for (record, verdict) in records.chunks_exact(length).zip(&*verdicts) {
                longer.extend_from_slice(record);
                for added in job.added {
                    longer.extend_from_slice(&added.steps(verdict.limit, verdict.dz).to_le_bytes());
                }
            }
            encoder.encode(longer)
        };
        let bytes = bytes.map_err(|message| EngineError::Internal {
            doing: format!("encoding a chunk of {}", job.source.path().display()),
            message,
        })?;
        let chunk = (bytes, points.len() as u64);
        records.clear();
        points.clear();
        // The writer has stopped where nobody takes it: it knows why.
        let _ = task.chunks.send(Ok(chunk));
        Ok(())
    }
}
