import { useState } from "preact/hooks";
import { Role } from "../gen/witnessmark/v1/access_pb";
import { Job_State as JobStateName } from "../gen/witnessmark/v1/jobs_pb";
import { Message, Primary, Row, Screen, Second, type Sign, Where, why } from "../parts/basic";
import { useWords } from "../parts/words";
import { go, jobPath } from "../route";
import { phone, usePhone } from "../store/phone";
import { date, hour, type Key } from "../text";

const stateKeys: Partial<Record<JobStateName, Key>> = {
	[JobStateName.OPEN]: "jobs.open",
	[JobStateName.FINISHED]: "jobs.finished",
	[JobStateName.LOCKED]: "jobs.locked",
	[JobStateName.ENDED]: "jobs.ended",
};

function signOfJob(state: JobStateName): Sign {
	return state === JobStateName.LOCKED
		? "whole"
		: state === JobStateName.ENDED
			? "broken"
			: state === JobStateName.FINISHED
				? "dashed"
				: "hollow";
}

/** The person's jobs; one touch takes one onto the phone. */
export function Jobs() {
	const { t, language } = useWords();
	const { jobs, taken, update, person, unsent } = usePhone();
	const [failed, setFailed] = useState("");
	const next = jobs.find((j) => j.state === JobStateName.OPEN);

	const open = async (name: string) => {
		setFailed("");
		if (!taken.has(name)) {
			try {
				await phone.takeJob(name);
			} catch (error) {
				setFailed(t("job.not-taken-now", { why: why(error, t) }));
				return;
			}
			go(jobPath(name, "ready"));
			return;
		}
		go(jobPath(name));
	};
	const refresh = async () => setFailed((await phone.refreshJobs()) ? "" : t("jobs.offline"));
	const takeUpdate = async () => {
		const registration = await navigator.serviceWorker.getRegistration();
		registration?.waiting?.postMessage("skip-waiting");
	};

	const foot =
		update && unsent.entries === 0 ? (
			<Primary label={t("jobs.update")} small={t("jobs.update.small")} act={takeUpdate} />
		) : next ? (
			<>
				<Second label={t("jobs.refresh")} act={refresh} />
				<Primary label={next.title} small={taken.has(next.name) ? t("continue") : t("jobs.take")} act={() => open(next.name)} />
			</>
		) : (
			<Primary label={t("jobs.refresh")} act={refresh} />
		);

	return (
		<Screen where={<Where title={person?.title ?? t("app")} home="/settings" />} foot={foot}>
			<h1>{t("jobs.mine")}</h1>
			<Message text={failed} />
			{jobs.length === 0 && (
				<p class="why">
					{t("jobs.none")} {t("jobs.none.why")}
				</p>
			)}
			<ul class="list">
				{jobs.map((j) => {
					const at = taken.get(j.name);
					const state = stateKeys[j.state];
					const parts = [
						j.siteTitle,
						j.day ? date(j.day, language) : "",
						state ? t(state) : "",
						at ? t("jobs.taken", { time: hour(at, language) }) : t("jobs.not-taken"),
					];
					return (
						<Row
							key={j.name}
							sign={signOfJob(j.state)}
							title={j.title}
							small={parts.filter((p) => p).join(" · ")}
							act={() => void open(j.name)}
						/>
					);
				})}
			</ul>
			{person?.roles.some((r) => r !== Role.CLIMBER) && (
				<button type="button" class="wide plain" onClick={() => go("/desk")}>
					<span>
						{t("jobs.desk")}
						<small>{t("jobs.desk.small")}</small>
					</span>
				</button>
			)}
			<button type="button" class="wide plain" onClick={() => go("/settings")}>
				<span>{t("jobs.settings")}</span>
			</button>
		</Screen>
	);
}
