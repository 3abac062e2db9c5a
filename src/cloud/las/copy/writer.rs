//! The writer of a copy: chunks in their order, then their table and the extended records.

use std::io::{self, Read, Seek, SeekFrom, Write};

use laz::laszip::{ChunkTable, ChunkTableEntry};

use crate::cloud::error::CloudError;
use crate::cloud::las::copy::CopyPlan;
use crate::cloud::ranges::RangeReader;

/// Why a copy could not be written.
#[derive(Debug, thiserror::Error)]
pub enum CopyError {
    /// The source cannot be read.
    #[error(transparent)]
    Source(#[from] CloudError),
    /// The copy cannot be written.
    #[error(transparent)]
    Target(#[from] io::Error),
}

/// Writes a copy.
pub struct CopyWriter<'a, W> {
    plan: &'a CopyPlan,
    to: W,
    /// Where the place of the table is written.
    points: u64,
    table: ChunkTable,
}

impl<'a, W: Write + Seek> CopyWriter<'a, W> {
    /// Writes what stands before the points.
    ///
    /// # Errors
    /// Where `to` does not take it.
    pub fn start(plan: &'a CopyPlan, mut to: W) -> io::Result<Self> {
        let head = plan.frame.head();
        to.write_all(&head)?;
        to.write_all(&(-1i64).to_le_bytes())?;
        Ok(CopyWriter { plan, to, points: head.len() as u64, table: ChunkTable::default() })
    }

    /// Writes a chunk of so many points.
    ///
    /// # Errors
    /// Where the file does not take it.
    pub fn add(&mut self, chunk: &[u8], points: u64) -> io::Result<()> {
        self.table.push(ChunkTableEntry { point_count: points, byte_count: chunk.len() as u64 });
        self.to.write_all(chunk)
    }

    /// Writes what stands behind the points, and hands the file over.
    ///
    /// # Errors
    /// Where the source does not give it, or the file does not take it.
    pub fn finish(mut self) -> Result<W, CopyError> {
        let table = self.to.stream_position()?;
        self.table.write_to(&mut self.to, &self.plan.chunking.vlr)?;
        let extended = self.to.stream_position()?;
        let mut source = RangeReader::open(&self.plan.location)?;
        for stretch in &self.plan.frame.extended {
            let copied =
                copy(&mut source.stream(stretch.offset, stretch.bytes)?, &mut self.to, stretch.bytes)?;
            copied.map_err(|error| source.read_error(stretch.offset, error))?;
        }
        self.to.seek(SeekFrom::Start(self.points))?;
        self.to.write_all(&table.to_le_bytes())?;
        self.to.seek(SeekFrom::Start(0))?;
        self.to.write_all(&self.plan.frame.header_with_extended(extended))?;
        self.to.flush()?;
        Ok(self.to)
    }
}

/// Copies so many bytes, a piece at a time: the outer error is that of `to`.
fn copy(from: &mut impl Read, to: &mut impl Write, bytes: u64) -> io::Result<io::Result<()>> {
    let mut buffer = [0; 1 << 14];
    let mut left = bytes;
    while left > 0 {
        let some = (buffer.len() as u64).min(left) as usize;
        if let Err(error) = from.read_exact(&mut buffer[..some]) {
            return Ok(Err(error));
        }
        to.write_all(&buffer[..some])?;
        left -= some as u64;
    }
    Ok(Ok(()))
}
