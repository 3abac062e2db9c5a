//! Why a command failed: the message and the exit code.

use std::path::PathBuf;

use crate::cloud::CloudError;
use crate::engine::parts::finish::FinishError;
use crate::engine::plan::job::JobError;
use crate::engine::store::error::EngineError;
use crate::network::{LoadError, NetworkError};
use crate::pipeline::PipelineError;

/// Why a command failed, with its exit code.
#[derive(Debug, thiserror::Error)]
pub enum CliError {
    /// The pipeline file is wrong.
    #[error("{0}")]
    Pipeline(#[from] PipelineError),
    /// The network file or a table of it is wrong.
    #[error("{0}")]
    Load(#[from] LoadError),
    /// The network cannot be adjusted.
    #[error("{}: {error}", path.display())]
    Network {
        /// The network file.
        path: PathBuf,
        /// What is wrong with the network.
        error: NetworkError,
    },
    /// A cloud cannot be read.
    #[error(transparent)]
    Cloud(#[from] CloudError),
    /// The run failed.
    #[error(transparent)]
    Engine(#[from] EngineError),
    /// The command line is wrong.
    #[error("{0}")]
    Usage(String),
    /// The program cannot learn when it is asked to stop.
    #[error("the program cannot listen for Ctrl-C and other signals: {0}")]
    Signals(std::io::Error),
    /// The pages of the manual cannot be written.
    #[error("the manual cannot be written to {}: {error}; name another folder with --out", path.display())]
    Manual {
        /// The folder.
        path: PathBuf,
        /// Why.
        error: std::io::Error,
    },
    /// Standard output cannot be written.
    #[error("standard output: {0}")]
    Output(std::io::Error),
}

impl From<JobError> for CliError {
    fn from(error: JobError) -> Self {
        match error {
            JobError::Pipeline(error) => error.into(),
            JobError::Cloud(error) => error.into(),
            list @ JobError::List(_) => CliError::Usage(list.to_string()),
            memory @ JobError::Memory { .. } => CliError::Usage(memory.to_string()),
        }
    }
}

impl From<FinishError> for CliError {
    fn from(error: FinishError) -> Self {
        match error {
            FinishError::Pipeline(error) => error.into(),
            FinishError::Job(error) => error.into(),
            FinishError::Engine(error) => error.into(),
        }
    }
}

impl CliError {
    /// 2 where the command line, the pipeline file or the network is wrong, otherwise 1.
    pub fn exit_code(&self) -> u8 {
        match self {
            CliError::Pipeline(_) | CliError::Load(_) | CliError::Usage(_) => 2,
            CliError::Network { error: NetworkError::NoConvergence(_), .. } => 1,
            CliError::Network { .. } => 2,
            CliError::Cloud(_) | CliError::Engine(_) | CliError::Signals(_) => 1,
            CliError::Manual { .. } | CliError::Output(_) => 1,
        }
    }

    /// The error as it is shown on standard error.
    pub fn render(&self, colour: bool) -> String {
        match self {
            CliError::Pipeline(error) => error.render(colour),
            CliError::Load(error) => error.render(colour),
            other => format!("error: {other}"),
        }
    }
}
