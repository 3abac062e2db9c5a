//! Where checkpoints are best measured: which ground suits, which of it is proposed, and what points there would settle.

pub mod choose;
pub mod outlook;
pub mod rules;
pub mod suitable;
