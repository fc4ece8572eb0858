import { useState } from "preact/hooks";
import { Role } from "../gen/witnessmark/v1/access_pb";
import { HoldButton, Message, Primary, Screen, Second, why } from "../parts/basic";
import { useWords } from "../parts/words";
import { go, jobPath, type Route } from "../route";
import { phone, usePhone } from "../store/phone";
import { hour } from "../text";
import { JobWhere, WithJob } from "./frame";

/** The work is stopped, recorded already. What can follow: a reason, the withdrawal of a slip, or later the resuming. */
export function Stopped({ route }: { route: Route }) {
	const { t, language } = useWords();
	const { person } = usePhone();
	const name = route.params.job!;
	const id = route.query.get("entry") ?? "";
	const [text, setText] = useState("");
	const [failed, setFailed] = useState(route.query.get("failed") ?? "");
	const [resuming, setResuming] = useState(false);
	const home = jobPath(name);
	const run = async (work: () => Promise<unknown>) => {
		try {
			await work();
			go(home, true);
		} catch (error) {
			setFailed(t("not-saved", { why: why(error, t) }));
		}
	};
	return (
		<WithJob name={name}>
			{(j) => {
				const entry = j.entries.find((e) => e.id === id);
				const climb = j.state.climb?.id ?? "";
				const mistake = () =>
					run(() =>
						phone.say(name, {
							climb,
							kind: {
								case: "withdrawn",
								value: { $typeName: "witnessmark.record.v1.Withdrawn", entry: id, reason: "touched by mistake", mistyped: true },
							},
						}),
					);
				const addReason = () =>
					run(() =>
						phone.say(name, {
							climb,
							kind: { case: "workStopped", value: { $typeName: "witnessmark.record.v1.WorkStopped", reason: text.trim() } },
						}),
					);
				const resume = () =>
					run(() =>
						phone.say(name, {
							climb,
							kind: { case: "workResumed", value: { $typeName: "witnessmark.record.v1.WorkResumed", reason: text.trim() } },
						}),
					);
				const lead = person?.roles.includes(Role.LEAD) || person?.qualifications.some((q) => q.name === "competent-person");
				return (
					<Screen
						class="stopped"
						where={<JobWhere j={j} />}
						foot={
							resuming ? (
								<>
									<Second label={t("back")} act={() => setResuming(false)} />
									<HoldButton label={t("stop.resume")} small={t("stop.resume.small")} act={resume} />
								</>
							) : (
								<>
									{entry && <Second label={t("stop.mistake")} act={mistake} />}
									{text.trim() ? (
										<Primary label={t("stop.reason.save")} act={addReason} />
									) : (
										<Primary label={t("stop.to-job")} act={() => go(home, true)} />
									)}
								</>
							)
						}
					>
						<div class="hold">{t("stop.title")}</div>
						{failed ? <Message text={failed} /> : <p>{t("stop.by", { time: hour(entry?.made ?? Date.now(), language, j.zone) })}</p>}
						<label>
							{t(resuming ? "stop.resume.why" : "stop.why")}
							<textarea value={text} maxLength={4000} onInput={(e) => setText(e.currentTarget.value)} />
						</label>
						{!resuming && (
							<>
								<p class="work">{t("stop.mistake.small")}</p>
								{lead && (
									<button type="button" class="wide plain" onClick={() => setResuming(true)}>
										<span>
											{t("stop.resume")}
											<small>{t("stop.resume.small")}</small>
										</span>
									</button>
								)}
							</>
						)}
					</Screen>
				);
			}}
		</WithJob>
	);
}
