import { useState } from "preact/hooks";
import { Role } from "../gen/witnessmark/v1/access_pb";
import { Choices, HoldButton, Message, Screen, Second, Where, why } from "../parts/basic";
import { useWords } from "../parts/words";
import { go, type Route } from "../route";
import { phone, usePhone } from "../store/phone";
import { type Key, type Language, languages } from "../text";

/** Language, theme, hand, own code, sign-out. */
export function SettingsScreen({ route: _ }: { route: Route }) {
	const { t, language } = useWords();
	const { settings, person, session, unsent } = usePhone();
	const [current, setCurrent] = useState("");
	const [code, setCode] = useState("");
	const [failed, setFailed] = useState("");
	const [done, setDone] = useState("");
	const left = unsent.entries + unsent.files;
	const setOwn = async () => {
		setFailed("");
		try {
			await phone.server.people.setOwnCode({ code, currentCode: current });
			setDone(t("settings.code.done"));
			setCode("");
			setCurrent("");
			await phone.identify();
		} catch (error) {
			setFailed(t("error", { why: why(error, t) }));
		}
	};
	const signOut = async () => {
		if (left > 0) return setFailed(t("settings.sign-out.unsent", { n: left }));
		try {
			await phone.signOut();
			go("/", true);
		} catch (error) {
			setFailed(t("error", { why: why(error, t) }));
		}
	};
	const roles = (person?.roles ?? []).map((r) => t(`role.${Role[r]}` as Key)).join(", ");
	return (
		<Screen
			where={<Where title={t("settings.title")} />}
			foot={
				<>
					<Second label={t("back")} act={() => go("/", true)} />
					<HoldButton label={t("settings.sign-out")} small={t("settings.sign-out.small")} act={signOut} danger />
				</>
			}
		>
			<h1>{t("settings.who", { name: person?.title ?? "", roles })}</h1>
			<Message text={failed} />
			<h2>{t("settings.language")}</h2>
			<Choices
				label={t("settings.language")}
				options={languages}
				value={language}
				pick={(l: Language) => void phone.saveSettings({ language: l })}
			/>
			<h2>{t("settings.theme")}</h2>
			<Choices
				label={t("settings.theme")}
				value={settings.theme}
				pick={(theme: "day" | "night") => void phone.saveSettings({ theme })}
				options={[
					{ id: "day", title: t("settings.day") },
					{ id: "night", title: t("settings.night") },
				]}
			/>
			<h2>{t("settings.hand")}</h2>
			<Choices
				label={t("settings.hand")}
				value={settings.hand}
				pick={(hand: "right" | "left") => void phone.saveSettings({ hand })}
				options={[
					{ id: "left", title: t("settings.left") },
					{ id: "right", title: t("settings.right") },
				]}
			/>
			<h2>{t("settings.code")}</h2>
			<p class="why">{t("settings.code.why")}</p>
			{person?.hasCode && (
				<label>
					{t("settings.code.current")}
					<input
						type="password"
						inputMode="numeric"
						autocomplete="off"
						value={current}
						maxLength={12}
						onInput={(e) => setCurrent(e.currentTarget.value.replace(/\D/g, ""))}
					/>
				</label>
			)}
			<label>
				{t("settings.code.new")}
				<input
					type="password"
					inputMode="numeric"
					autocomplete="off"
					value={code}
					maxLength={12}
					onInput={(e) => setCode(e.currentTarget.value.replace(/\D/g, ""))}
				/>
			</label>
			{code.length >= 4 && (
				<button type="button" onClick={() => void setOwn()}>
					{t("settings.code.set")}
				</button>
			)}
			{done && <p role="status">{done}</p>}
			<p class="work">
				{t("settings.device", { title: session?.deviceTitle ?? "", key: session?.keyId ?? "" })}
				<br />
				{t("settings.version", { version: import.meta.env.VITE_VERSION ?? "1", server: session?.serverVersion || "–" })}
			</p>
		</Screen>
	);
}
