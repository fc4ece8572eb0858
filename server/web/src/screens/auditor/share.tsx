// A share link: one job, read-only, for as long as the link holds. The secret
// stands behind the fragment sign and never reaches a log.

import { createClient } from "@connectrpc/connect";
import { createConnectTransport } from "@connectrpc/connect-web";
import { useEffect, useRef, useState } from "preact/hooks";
import { GrantService } from "../../gen/witnessmark/v1/audit_pb";
import { Choices, Message, Primary, Screen, Where, why } from "../../parts/basic";
import { Field } from "../../parts/desk";
import type { Route } from "../../route";
import { phone } from "../../store/phone";
import { reasonOf } from "../../sync/outcome";
import { type Language, languages } from "../../text";
import { useDeskWords } from "../../text/lead";
import { type Desk, shareDesk } from "../lead/desk";
import { ReviewOf } from "../lead/screen";

interface Opened {
	desk: Desk;
	job: string;
}
// The session of the link lives as long as the page; the tab keeps it over a reload.
const KEPT = "share";

export function sharedBefore(): { token: string; job: string } | undefined {
	try {
		const s = JSON.parse(sessionStorage.getItem(KEPT) ?? "") as { token?: unknown; job?: unknown; until?: unknown };
		if (typeof s.token === "string" && typeof s.job === "string" && Number(s.until) > Date.now()) return { token: s.token, job: s.job };
	} catch {
		// none
	}
	return undefined;
}

export function Shared({ route, secret: given }: { route: Route; secret: string }) {
	const { t, language } = useDeskWords();
	const [secret] = useState(given);
	const [opened, setOpened] = useState<Opened | undefined>(() => {
		const s = given ? undefined : sharedBefore();
		return s && { desk: shareDesk(s.token), job: s.job };
	});
	const [code, setCode] = useState("");
	const [needsCode, setNeedsCode] = useState(false);
	const [failed, setFailed] = useState("");
	const tried = useRef(false);
	const open = async () => {
		setFailed("");
		const grants = createClient(
			GrantService,
			createConnectTransport({ baseUrl: location.origin, useBinaryFormat: false, defaultTimeoutMs: 20_000 }),
		);
		try {
			const answer = await grants.openShareLink({ secret, code });
			sessionStorage.setItem(
				KEPT,
				JSON.stringify({ token: answer.token, job: answer.job, until: answer.expireTime ? Number(answer.expireTime.seconds) * 1000 : 0 }),
			);
			setOpened({ desk: shareDesk(answer.token), job: answer.job });
		} catch (error) {
			const reason = reasonOf(error);
			if (reason === "CODE_WRONG") {
				setNeedsCode(true);
				if (code) setFailed(t("share.code.wrong"));
			} else setFailed(t("share.failed", { why: why(error, t as never) }));
		}
	};
	useEffect(() => {
		if (given) history.replaceState(null, "", "/shared"); // the secret leaves the address at once
		if (tried.current || opened || !secret) return;
		tried.current = true;
		void open();
	}, []);
	if (opened)
		return (
			<ReviewOf route={{ ...route, query: new URLSearchParams(location.search) }} name={opened.job} home="/shared" desk={opened.desk} />
		);
	return (
		<Screen
			where={<Where title={t("app")} home="/shared" />}
			foot={needsCode || failed ? <Primary label={t("share.open")} act={open} /> : undefined}
		>
			<h1>{t("share.title")}</h1>
			<p class="why">{t("share.why")}</p>
			<Message text={failed} />
			{!secret && <p>{t("share.over")}</p>}
			{needsCode && <Field label={t("share.code")} value={code} set={(v) => setCode(v.replace(/\D/g, "").slice(0, 12))} type="password" />}
			<Choices
				label={t("settings.language")}
				options={languages}
				value={language}
				pick={(l: Language) => void phone.saveSettings({ language: l })}
			/>
		</Screen>
	);
}
