import { CloseClimb, Crew, OpenClimb } from "./climb";
import { Find } from "./find";
import { JobHome, JobMore } from "./job";
import { Jobs } from "./jobs";
import { Handover, NoteScreen } from "./note";
import { Ready } from "./ready";
import { SettingsScreen } from "./settings";
import { StepList, StepScreen } from "./step";
import { Stopped } from "./stopped";
import { UnsentScreen } from "./unsent";

/** The climber's screens, by the name of their route. */
export const climber = {
	jobs: Jobs,
	job: JobHome,
	more: JobMore,
	ready: Ready,
	step: StepScreen,
	list: StepList,
	find: Find,
	climb: OpenClimb,
	crew: Crew,
	down: CloseClimb,
	stopped: Stopped,
	note: NoteScreen,
	handover: Handover,
	unsent: UnsentScreen,
	settings: SettingsScreen,
};
