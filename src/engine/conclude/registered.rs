//! What the registration of the scans says of the comparisons.

use std::collections::BTreeMap;

use crate::cloud::point::MAX_RETURN;
use crate::engine::conclude::draw::Sample;
use crate::engine::plan::job::Job;
use crate::engine::plan::registering::Registering;
use crate::engine::store::error::EngineError;
use crate::pipeline::Pipeline;
use crate::pipeline::uncertainty::{Parts, Uncertainty};
use crate::registration::network::Network;
use crate::registration::sigma::{SetupSums, Vertical};
use crate::results::registration::Registration;
use crate::stages::auto::Count;
use crate::stages::setup_sums::SetupsOfComparisons;
use crate::tile::strata::Strata;
use crate::tile::yields::Yields;
use crate::units::{Length, Micrometres};

/// Registered scans, and the comparisons with them.
pub struct Registered<'a> {
    registering: &'a Registering,
    comparisons: SetupsOfComparisons,
    all: BTreeMap<u16, SetupSums>,
    is_auto: bool,
    /// The pipeline, with what the adjustment gives as the uncertainty of the reference where that is `auto`.
    pub pipeline: Pipeline,
}

impl<'a> Registered<'a> {
    /// What all tiles gave back or, where only the checkpoints drawn count, what those are.
    ///
    /// # Errors
    /// Where the disk does not give it back.
    pub fn of(
        job: &'a Job,
        yields: &dyn Yields,
        drawn: Option<&Sample>,
    ) -> Result<Option<Self>, EngineError> {
        let Some(registering) = &job.registering else { return Ok(None) };
        let comparisons = match drawn {
            None => SetupsOfComparisons::conclude(yields)?,
            Some(sample) => of_draw(sample, &registering.network.middles())?,
        };
        let mut pipeline = job.pipeline.clone();
        let all = comparisons.of(|_| true);
        let mut is_auto = false;
        if let Some(reference) = &mut pipeline.reference
            && reference.uncertainty == Some(Uncertainty::Auto)
        {
            is_auto = true;
            reference.uncertainty = vertical(registering, &all).map(|found| {
                let Vertical { total, common } = found;
                let random = (total * total - common * common).max(0.0).sqrt();
                let [common, random] = [common, random].map(|um| Some(Length::metres(um / 1e6)));
                Uncertainty::Parts(Parts { common, random })
            });
        }
        Ok(Some(Registered { registering, comparisons, all, is_auto, pipeline }))
    }

    /// The standard deviation of what the comparisons of some strata share, micrometres, where the uncertainty follows from the
    /// adjustment.
    pub fn common(&self, wanted: &dyn Fn(&Strata) -> bool) -> Option<f64> {
        let own = self.comparisons.of(wanted);
        vertical(self.registering, &own).filter(|_| self.is_auto).map(|found| found.common)
    }

    /// What `summary.json` says of the registration.
    pub fn summary(&self, job: &Job) -> Registration {
        self.registering.network.summary(&self.all, noise(self.registering), job.units)
    }
}

fn vertical(registering: &Registering, sums: &BTreeMap<u16, SetupSums>) -> Option<Vertical> {
    registering.network.vertical(Network::merged(sums), noise(registering))
}

fn noise(registering: &Registering) -> f64 {
    registering.register.noise.exact_micrometres()
}

/// The checkpoints drawn.
fn of_draw(sample: &Sample, middles: &[[Micrometres; 2]]) -> Result<SetupsOfComparisons, EngineError> {
    let mut found = SetupsOfComparisons::default();
    for number in 1..=MAX_RETURN as u8 {
        sample.for_each(number, Count::All, &mut |drawn| {
            found.add(&drawn.compared(), drawn.setup, middles);
            Ok(())
        })?;
    }
    Ok(found)
}
