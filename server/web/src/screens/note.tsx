import { create } from "@bufbuild/protobuf";
import { useState } from "preact/hooks";
import { NoteSchema } from "../gen/witnessmark/record/v1/entry_pb";
import { Message, Primary, Screen, Second, Stripe, why } from "../parts/basic";
import { useWords } from "../parts/words";
import { go, jobPath, type Route } from "../route";
import { phone, usePhone } from "../store/phone";
import { JobWhere, WithJob } from "./frame";
import { saveFile } from "./unsent";

/** A remark on the job. */
export function NoteScreen({ route }: { route: Route }) {
	const { t } = useWords();
	const name = route.params.job!;
	const [text, setText] = useState("");
	const [failed, setFailed] = useState("");
	const save = async () => {
		if (text.trim() === "") return;
		try {
			await phone.say(name, {
				climb: phone.job(name)?.state.climb?.id ?? "",
				kind: { case: "note", value: create(NoteSchema, { text: text.trim() }) },
			});
			go(jobPath(name), true);
		} catch (error) {
			setFailed(t("not-saved", { why: why(error, t) }));
		}
	};
	return (
		<WithJob name={name}>
			{(j) => (
				<Screen
					where={<JobWhere j={j} />}
					foot={
						<>
							<Second label={t("back")} act={() => go(jobPath(name), true)} />
							<Primary label={t("note.save")} act={save} />
						</>
					}
				>
					<h1>{t("note.title")}</h1>
					<p class="why">{t("note.why")}</p>
					<Message text={failed} />
					<label>
						<span class="visually-hidden">{t("note.title")}</span>
						<textarea value={text} maxLength={4000} onInput={(e) => setText(e.currentTarget.value)} />
					</label>
				</Screen>
			)}
		</WithJob>
	);
}

/** Another phone goes on: what is here goes first. */
export function Handover({ route }: { route: Route }) {
	const { t } = useWords();
	const name = route.params.job!;
	const { unsent } = usePhone();
	const [failed, setFailed] = useState("");
	return (
		<WithJob name={name}>
			{(j) => {
				const left =
					j.entries.filter((e) => e.state === "here").length + j.files.filter((f) => f.state === "here" && f.entry !== "").length;
				const home = jobPath(name);
				const file = async () => {
					try {
						await saveFile();
					} catch (error) {
						setFailed(t("error", { why: why(error, t) }));
					}
				};
				return (
					<Screen
						where={<JobWhere j={j} />}
						foot={
							<>
								<Second label={t("back")} act={() => go(home, true)} />
								{left > 0 ? (
									<Primary label={t("handover.send")} small={t("handover.left", { n: left })} act={() => phone.engine.kick()} />
								) : (
									<Primary label={t("home")} act={() => go("/", true)} />
								)}
							</>
						}
					>
						<h1>{t("handover.title")}</h1>
						<p>{t("handover.why")}</p>
						<Message text={failed} />
						<div class="find soft-wash" role="status">
							<Stripe sign={left > 0 ? "hollow" : "whole"} />
							<span>{left > 0 ? t("handover.left", { n: left }) : t("handover.done")}</span>
						</div>
						{unsent.entries + unsent.files > 0 && (
							<button type="button" class="wide plain" onClick={() => void file()}>
								<span>
									{t("handover.file")}
									<small>{t("handover.file.small")}</small>
								</span>
							</button>
						)}
					</Screen>
				);
			}}
		</WithJob>
	);
}
