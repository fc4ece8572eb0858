import { useEffect, useState } from "preact/hooks";
import { Choices, Message, Primary, Screen, Where, why } from "../parts/basic";
import { useWords } from "../parts/words";
import { go } from "../route";
import { phone, usePhone } from "../store/phone";
import { type Language, languages } from "../text";

/** Opened from the home screen, or in a browser window? */
export function installed(): boolean {
	return matchMedia("(display-mode: standalone)").matches || (navigator as { standalone?: boolean }).standalone === true;
}

/** An engine that forgets a browser window's data after seven days. */
export function forgets(): boolean {
	return "standalone" in navigator;
}

/** A code makes this phone and this person known to the server, once. */
export function Enrol({ code: given }: { code: string }) {
	const { t, language } = useWords();
	const { keeps, session, person, unsent } = usePhone();
	const [code, setCode] = useState(given);
	const [title, setTitle] = useState(session?.deviceTitle ?? t("enrol.phone.default"));
	const [failed, setFailed] = useState("");
	const [sessionKey, setSessionKey] = useState(false);
	const waiting = unsent.entries + unsent.files;
	useEffect(() => {
		if (given) history.replaceState(null, "", location.pathname); // the code leaves the address at once
	}, [given]);

	const enrol = async (withKey = true) => {
		setFailed("");
		const at = location.pathname;
		if (code.trim() === "") return setFailed(t("enrol.why"));
		try {
			await phone.enrol(code, title || t("enrol.phone.default"), withKey);
		} catch (error) {
			setFailed(t("enrol.bad", { why: why(error, t) }));
			return;
		}
		const key = withKey ? await phone.key() : undefined;
		if (key && !key.persistent) setSessionKey(true);
		else if (location.pathname === at) go("/", true); // the jobs stand open already, and the person may have gone on
	};

	const recordOn = () => {
		phone.recordOn();
		if (location.pathname === "/enrol") go("/", true);
	};

	if (!isSecureContext || keeps === false) {
		return (
			<Screen where={<Where title={t("app")} />}>
				<h1>{t("enrol.title")}</h1>
				<Message text={t(isSecureContext ? "enrol.private" : "enrol.insecure")} />
			</Screen>
		);
	}
	if (sessionKey) {
		return (
			<Screen where={<Where title={t("app")} />} foot={<Primary label={t("continue")} act={() => go("/", true)} />}>
				<h1>{t("enrol.title")}</h1>
				<p class="care">{t("enrol.session-key")}</p>
			</Screen>
		);
	}
	return (
		<Screen where={<Where title={t("app")} />} foot={<Primary label={t("enrol.go")} small={t("enrol.go.small")} act={() => enrol()} />}>
			<h1>{t("enrol.title")}</h1>
			{session?.over && <p class="care">{t("enrol.again", { n: waiting })}</p>}
			{!session && waiting > 0 && <p class="care">{t("enrol.unsent-other", { n: waiting, name: person?.title ?? "?" })}</p>}
			<p class="why">{t("enrol.why")}</p>
			<Message text={failed} />
			<label>
				{t("enrol.code")}
				<input
					class="code"
					type="text"
					value={code}
					autocomplete="off"
					autocapitalize="characters"
					spellcheck={false}
					onInput={(e) => setCode(e.currentTarget.value)}
				/>
			</label>
			<label>
				{t("enrol.phone")}
				<input type="text" value={title} maxLength={100} onInput={(e) => setTitle(e.currentTarget.value)} />
			</label>
			<Choices
				label={t("enrol.language")}
				options={languages}
				value={language}
				pick={(l: Language) => void phone.saveSettings({ language: l })}
			/>
			<button type="button" class="wide plain" onClick={() => void enrol(false)}>
				<span>
					{t("enrol.desk")}
					<small>{t("enrol.desk.small")}</small>
				</span>
			</button>
			{!installed() && (
				<details>
					<summary>{t("enrol.install")}</summary>
					<p class="work">{t("enrol.install.how")}</p>
				</details>
			)}
			{session?.over && (
				<button type="button" class="wide" onClick={recordOn}>
					<span>
						{t("enrol.record-on")}
						<small>{t("enrol.record-on.small")}</small>
					</span>
				</button>
			)}
			{session?.over && waiting > 0 && (
				<button type="button" onClick={() => go("/unsent")}>
					{t("unsent.title")}
				</button>
			)}
		</Screen>
	);
}
