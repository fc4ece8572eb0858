import { create } from "@bufbuild/protobuf";
import { useState } from "preact/hooks";
import { ClimbClosedSchema, ClimbOpenedSchema, CrewChangedSchema } from "../gen/witnessmark/record/v1/entry_pb";
import { HoldButton, Message, Primary, Screen, Second, why } from "../parts/basic";
import { useWords } from "../parts/words";
import { go, jobPath, type Route } from "../route";
import { phone, usePhone } from "../store/phone";
import { JobWhere, type LoadedJob, WithJob } from "./frame";

function People({
	who,
	chosen,
	toggle,
	label,
}: {
	who: string[];
	chosen: ReadonlySet<string>;
	toggle: (p: string) => void;
	label: string;
}) {
	const w = useWords();
	return (
		<div class="choices tall" role="group" aria-label={label}>
			{who.map((p) => (
				<button type="button" key={p} aria-pressed={chosen.has(p)} onClick={() => toggle(p)}>
					{w.person(p)}
				</button>
			))}
		</div>
	);
}

function useChosen(start: readonly string[]): [Set<string>, (p: string) => void] {
	const [chosen, setChosen] = useState(new Set(start));
	return [
		chosen,
		(p) =>
			setChosen((c) => {
				const n = new Set(c);
				if (!n.delete(p)) n.add(p);
				return n;
			}),
	];
}

/** Everyone who may be on a climb: the job's people, else all climbers and leads. */
function candidates(j: LoadedJob, people: ReadonlyMap<string, { roles: number[]; disabled: boolean }>): string[] {
	if (j.job.people.length > 0) return j.job.people;
	return [...people].filter(([, p]) => !p.disabled && p.roles.some((r) => r === 1 || r === 2)).map(([n]) => n);
}

/** A climb begins: who is on it. */
export function OpenClimb({ route }: { route: Route }) {
	return <WithJob name={route.params.job!}>{(j) => <CrewForm j={j} change={false} />}</WithJob>;
}

/** The crew of the open climb changes. */
export function Crew({ route }: { route: Route }) {
	return <WithJob name={route.params.job!}>{(j) => <CrewForm j={j} change />}</WithJob>;
}

function CrewForm({ j, change }: { j: LoadedJob; change: boolean }) {
	const { t } = useWords();
	const { people, person } = usePhone();
	const climb = j.state.climb;
	const [chosen, toggle] = useChosen(change ? (climb?.crew ?? []) : person ? [person.name] : []);
	const [failed, setFailed] = useState("");
	const who = candidates(j, people);
	const save = async () => {
		if (chosen.size === 0) return;
		const crew = who.filter((p) => chosen.has(p));
		try {
			if (change)
				await phone.say(j.job.name, { climb: climb?.id ?? "", kind: { case: "crewChanged", value: create(CrewChangedSchema, { crew }) } });
			else await phone.say(j.job.name, { kind: { case: "climbOpened", value: create(ClimbOpenedSchema, { crew }) } });
			go(jobPath(j.job.name), true);
		} catch (error) {
			setFailed(t("not-saved", { why: why(error, t) }));
		}
	};
	return (
		<Screen
			where={<JobWhere j={j} />}
			foot={
				<>
					<Second label={t("back")} act={() => go(jobPath(j.job.name), true)} />
					{chosen.size === 0 ? (
						<Primary label={t("climb.none")} small={t("climb.none.small")} act={() => undefined} />
					) : (
						<Primary label={t(change ? "climb.crew.save" : "climb.open")} small={t("climb.open.small", { n: chosen.size })} act={save} />
					)}
				</>
			}
		>
			<h1>{t(change ? "climb.crew.title" : "climb.title")}</h1>
			<p class="why">{t("climb.who")}</p>
			<Message text={failed} />
			<People who={who} chosen={chosen} toggle={toggle} label={t("climb.who")} />
		</Screen>
	);
}

/** A climb ends: each person is named as down. */
export function CloseClimb({ route }: { route: Route }) {
	const { t } = useWords();
	const [failed, setFailed] = useState("");
	const [down, toggle] = useChosen([]);
	return (
		<WithJob name={route.params.job!}>
			{(j) => {
				const climb = j.state.climb;
				const home = jobPath(j.job.name);
				if (!climb) {
					return (
						<Screen where={<JobWhere j={j} />} foot={<Primary label={t("back")} act={() => go(home, true)} />}>
							<h1>{t("job.climb-needed")}</h1>
						</Screen>
					);
				}
				const left = climb.crew.filter((p) => !down.has(p)).length;
				const close = async () => {
					try {
						await phone.say(j.job.name, {
							climb: climb.id,
							kind: { case: "climbClosed", value: create(ClimbClosedSchema, { down: [...climb.crew] }) },
						});
						go(home, true);
					} catch (error) {
						setFailed(t("not-saved", { why: why(error, t) }));
					}
				};
				return (
					<Screen
						where={<JobWhere j={j} />}
						foot={
							<>
								<Second label={t("back")} act={() => go(home, true)} />
								{left > 0 ? (
									<Primary label={t("climb.close.missing")} small={t("climb.close.missing.small", { n: left })} act={() => undefined} />
								) : (
									<HoldButton label={t("climb.close")} small={t("climb.close.small", { n: climb.crew.length })} act={close} />
								)}
							</>
						}
					>
						<h1>{t("climb.close.title")}</h1>
						<Message text={failed} />
						<People who={[...climb.crew]} chosen={down} toggle={toggle} label={t("climb.down")} />
					</Screen>
				);
			}}
		</WithJob>
	);
}
