import { Custody, FindJobs } from "../auditor/find";
import { Shared } from "../auditor/share";
import { ReviewScreen } from "../lead/screen";
import { Access, Organization } from "./access";
import { NewJob } from "./newjob";
import { Devices, People } from "./people";
import { Instruments, Sites } from "./places";
import { Procedures } from "./procedures";

/** The screens of lead, auditor and office, by the name of their route; one load for all of them. */
export const deskScreens = {
	desk: FindJobs,
	review: ReviewScreen,
	"office/people": People,
	"office/devices": Devices,
	"office/instruments": Instruments,
	"office/sites": Sites,
	"office/procedures": Procedures,
	"office/access": Access,
	"office/custody": Custody,
	"office/organization": Organization,
	"office/new-job": NewJob,
};

export { Shared };
