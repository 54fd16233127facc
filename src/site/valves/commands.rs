//! Commands to valves, to the flats they feed, and to the site.

use super::super::orders::Done;
use super::super::{Command, Site, Subject, decimals};
use super::kept::Bucket;
use crate::moment::{Moment, Span};
use crate::units::{Flow, Millilitres};
use crate::watering::{Ended, Goal, LimitedBy, Plan as Watering};
use serde_json::{Map, json};

/// Less is nothing.
const LEAST: Millilitres = Millilitres::new(1.0);

impl Site {
    /// Commands to a valve; `None` for one it does not take.
    pub(in crate::site) fn command_valve(&mut self, index: usize, command: &Command) -> Option<Done> {
        if index >= self.valves.len() {
            return None;
        }
        Some(match *command {
            Command::Run { volume, plan } => self.run(index, volume, plan),
            Command::Stop => {
                self.stop_valve(index);
                Ok(Map::new())
            }
            Command::MeasureFlow { run } => self.measure_flow(index, run),
            Command::Caught { volume } => self.caught(index, volume),
            Command::Unlock => self.unlock(index).map(|()| Map::new()),
            _ => return None,
        })
    }

    /// Commands to the site; `None` for one it does not take.
    pub(in crate::site) fn command_site(&mut self, command: &Command) -> Option<Done> {
        Some(match *command {
            Command::Stop => {
                (0..self.valves.len()).for_each(|valve| self.stop_valve(valve));
                Ok(Map::new())
            }
            Command::Pause { time } => {
                let until = Moment { mono: self.now.mono + time, wall: self.now.wall + time };
                self.pause_until(Some(until.mono));
                self.pause_changed();
                Ok(Map::from_iter([("until".to_owned(), json!(self.stamp(until.wall)))]))
            }
            Command::Resume => {
                self.pause_until(None);
                self.pause_changed();
                Ok(Map::new())
            }
            Command::Refilled { supply, volume } => self
                .refilled(supply, volume)
                .map(|left| Map::from_iter([("left_ml".to_owned(), json!(decimals(left.get(), 1)))])),
            _ => return None,
        })
    }

    fn pause_changed(&mut self) {
        self.keep(Subject::Site);
        for valve in 0..self.valves.len() {
            self.replan_valve(valve);
            self.publish_valve(valve);
            self.wish_valve(valve);
        }
    }

    /// Its valve's plan for a flat alone.
    pub(in crate::site) fn water_flat(&mut self, flat: usize, volume: Option<Millilitres>) -> Done {
        let index = self.valve_of_or_why(flat)?;
        if self.plan.valves[index].feeds.len() > 1 {
            let valve = self.id(Subject::Valve(index));
            return Err(format!("{valve} feeds other flats too; `run` waters them all"));
        }
        self.run(index, volume, None)
    }

    pub(in crate::site) fn stop_flat(&mut self, flat: usize) -> Done {
        let index = self.valve_of_or_why(flat)?;
        self.stop_valve(index);
        Ok(Map::new())
    }

    fn valve_of_or_why(&self, flat: usize) -> Result<usize, String> {
        self.valve_of(flat).ok_or_else(|| format!("no valve feeds {}", self.id(Subject::Flat(flat))))
    }

    fn stop_valve(&mut self, index: usize) {
        if self.valves[index].run.is_some() {
            self.stop_run(index, Ended::Stopped);
        }
        self.close_anyway(index);
        self.wish_valve(index);
    }

    // ---- run

    fn run(&mut self, index: usize, volume: Option<Millilitres>, only: Option<u64>) -> Done {
        let id = self.id(Subject::Valve(index)).to_owned();
        if self.plan.valves[index].feeds.is_empty() {
            return Err(format!("{id} feeds no flat: it opens with the valves it serves"));
        }
        // What only a person, or time, can change is said before what is wrong with the order.
        self.may_begin(index, false, false)?;
        let (goal, plan) = match volume {
            Some(volume) => {
                let plan = self.plan_for(index, volume)?;
                (Goal::Volume(plan.volume), plan)
            }
            None => (Goal::Target, self.present_plan(index, only)?),
        };
        // A volume that was asked for is limited by nothing, unless it was cut.
        let is_cut = volume.is_none_or(|volume| plan.volume < volume);
        let number = self.begin(index, goal, &plan, false)?;
        Ok(Map::from_iter([
            ("watering".to_owned(), json!(format!("w-{number}"))),
            ("volume_ml".to_owned(), json!(decimals(plan.volume.get(), 1))),
            ("run_time_s".to_owned(), json!(super::whole_seconds(plan.run))),
            ("limited_by".to_owned(), json!(is_cut.then(|| plan.limited_by.name()))),
        ]))
    }

    fn present_plan(&mut self, index: usize, only: Option<u64>) -> Result<Watering, String> {
        let id = self.id(Subject::Valve(index)).to_owned();
        // Its plan may be a minute old.
        self.replan_valve(index);
        let Some((number, plan)) = self.valves[index].plan.clone() else {
            let left = self.left_today(index).unwrap_or(Millilitres::ZERO);
            if left < LEAST {
                return Err(format!("{id} has given all it may in 24 hours"));
            }
            return Err(format!("{id} has nothing to pour: its flats are near their targets"));
        };
        match only {
            Some(wanted) if wanted != number => {
                Err(format!("plan p-{wanted} is no longer what {id} would pour; that is p-{number} now"))
            }
            _ => Ok(plan),
        }
    }

    /// A volume as ordered, held against the day and the run, and cut where it would lift a flat above its high.
    fn plan_for(&self, index: usize, volume: Millilitres) -> Result<Watering, String> {
        let (id, settings, words) = (self.id(Subject::Valve(index)), &self.plan.valves[index], self.plan.words);
        let fed = self.fed(index).ok_or_else(|| format!("nobody can say how much water is left on {id}"))?;
        let flow: Flow = fed.iter().map(|fed| fed.flow).sum();
        let left = self.left_today(index).unwrap_or(Millilitres::ZERO);
        if volume > left {
            return Err(format!(
                "{} is more than the {} that {id} may still give in these 24 hours",
                words.volume(volume),
                words.volume(left)
            ));
        }
        let longest = settings.max_run.map_or(f64::INFINITY, Span::as_seconds);
        if volume.get() / flow.get() > longest + 1e-6 {
            let most = Millilitres::new(longest * flow.get());
            return Err(format!(
                "{} is more than the {} that {id} gives within its `max_run`",
                words.volume(volume),
                words.volume(most)
            ));
        }
        crate::watering::plan_volume(&fed, settings, volume)
            .ok_or_else(|| format!("a flat on {id} is at its high already; nothing may water it"))
    }

    // ---- the bucket

    fn measure_flow(&mut self, index: usize, run: Span) -> Done {
        let id = self.id(Subject::Valve(index)).to_owned();
        self.may_begin(index, false, true)?;
        let settings = &self.plan.valves[index];
        let most = settings.max_run.unwrap_or(Span::ZERO);
        if run > most {
            return Err(format!(
                "{:.0} s is longer than the `max_run` of {id}, {:.0} s",
                run.as_seconds(),
                most.as_seconds()
            ));
        }
        let volume = Millilitres::new(self.valves[index].kept.flow().get() * run.as_seconds());
        let left = self.left_today(index).unwrap_or(Millilitres::ZERO);
        if volume > left {
            let words = self.plan.words;
            return Err(format!(
                "that would be {}, and {id} may still give {} in these 24 hours",
                words.volume(volume),
                words.volume(left)
            ));
        }
        let pulses = vec![crate::watering::Pulse { run, rest: Span::ZERO }];
        let plan = Watering { volume, run, limited_by: LimitedBy::Target, pulses, flats: Vec::new(), due: false };
        self.begin(index, Goal::Bucket(run), &plan, false)?;
        Ok(Map::from_iter([("run_s".to_owned(), json!(super::whole_seconds(run)))]))
    }

    /// What the bucket had caught sets the flow; a measured whole is shared out as the file has it.
    fn caught(&mut self, index: usize, volume: Millilitres) -> Done {
        let id = self.id(Subject::Valve(index)).to_owned();
        if self.valves[index].run.is_some() {
            return Err(format!("{id} is still open or settling; say what was caught when it has ended"));
        }
        let Some(Bucket { seconds, at }) = self.valves[index].kept.bucket else {
            return Err(format!("nothing was caught: `measure-flow` with `run_s` opens {id} into a bucket first"));
        };
        let feeds = self.plan.valves[index].feeds.clone();
        let configured: Flow = feeds.iter().map(|feed| feed.flow).sum();
        let factor = volume.get() / seconds / configured.get();
        if !(0.05..=20.0).contains(&factor) {
            return Err(format!(
                "{} in {seconds:.0} s would be {:.0} times what the file says of {id}; is the volume right?",
                self.plan.words.volume(volume),
                factor
            ));
        }
        let kept = &mut self.valves[index].kept;
        kept.bucket = None;
        for (way, feed) in kept.ways.iter_mut().zip(&feeds) {
            let flow = feed.flow * factor;
            *way =
                super::kept::Way { measured: Some(flow), ..super::kept::Way::begin(way.flat.clone(), feed.flow, flow) };
        }
        if let Some(bucket) = kept.poured.iter_mut().find(|poured| poured.at == at) {
            bucket.volume = volume;
        }
        let flow = kept.flow();
        self.keep(Subject::Valve(index));
        self.replan_valve(index);
        self.publish_valve(index);
        Ok(Map::from_iter([("flow_ml_per_min".to_owned(), json!(decimals(flow.in_ml_per_min(), 1)))]))
    }
}
