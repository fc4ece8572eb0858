import { create } from "@bufbuild/protobuf";
import { timestampFromMs } from "@bufbuild/protobuf/wkt";
import { useEffect, useRef, useState } from "preact/hooks";
import { type Bytes, bytes, unhex } from "../bytes";
import { PhotoAttached_HowTaken as How, PhotoAttachedSchema } from "../gen/witnessmark/record/v1/entry_pb";
import { type Position, PositionSchema } from "../gen/witnessmark/record/v1/measure_pb";
import { Message, Primary, Screen, Second, Stripe, why } from "../parts/basic";
import { DARK, jpegCopy, type Look, lookAt, SOFT } from "../parts/picture";
import { StateCard } from "../parts/verdict";
import { useWords } from "../parts/words";
import type { StoredFile } from "../store/database";
import { discard, fileBytes, MOST_PHOTO, noteFile, sniff, storeFile } from "../store/files";
import { phone } from "../store/phone";
import { size } from "../text";
import { JobWhere, optionText, placeOf } from "./frame";
import { ReasonScreen } from "./measure";
import { StepFrame, type StepProps, useNext } from "./step";

/** Where the phone believes itself; nothing after 4 s: a photo never waits for it. */
function whereAmI(): Promise<Position | undefined> {
	return new Promise((done) => {
		if (!("geolocation" in navigator)) return done(undefined);
		const timer = setTimeout(() => done(undefined), 4000);
		navigator.geolocation.getCurrentPosition(
			(p) => {
				clearTimeout(timer);
				done(create(PositionSchema, { latitude: p.coords.latitude, longitude: p.coords.longitude, accuracyMeters: p.coords.accuracy }));
			},
			() => {
				clearTimeout(timer);
				done(undefined);
			},
			{ enableHighAccuracy: true, timeout: 3500, maximumAge: 60_000 },
		);
	});
}

/** Photos of a step, one subject at a time: take, look at it full size, keep or take again. */
export function Photos(p: StepProps) {
	const { j, s, say } = p;
	const w = useWords();
	const { t, language } = w;
	const camera = useRef<HTMLInputElement>(null);
	const files = useRef<HTMLInputElement>(null);
	const [file, setFile] = useState<StoredFile | undefined>();
	const [failed, setFailed] = useState("");
	const [how, setHow] = useState<How>(How.PHONE_CAMERA);
	const [reason, setReason] = useState(false);
	const [expected, setExpected] = useState(false);
	const position = useRef<Promise<Position | undefined>>(Promise.resolve(undefined));
	const next = useNext(j, s);
	const job = j.job.name;
	const subjects = s.step.def.kind.case === "photo" ? s.step.def.kind.value.subjects : [];
	const kept = (id: string) =>
		s.entries.filter(
			(e) =>
				!e.withdrawn &&
				e.entry.kind.case === "photoAttached" &&
				e.entry.kind.value.subject === id &&
				e.entry.kind.value.derivedFrom.length === 0,
		);
	const subject = subjects.find((x) => kept(x.id).length < Math.max(1, x.count)) ?? subjects.at(-1);
	const complete = subjects.every((x) => kept(x.id).length >= Math.max(1, x.count));
	const subjectId = subject?.id ?? "";

	// Written before the camera can open: the system may end this page while it is.
	useEffect(() => {
		void phone.photoExpected().then((m) => m && m.step === s.step.id && m.job === job && setExpected(Date.now() - m.since > 3000));
		void phone.expectPhoto({ job, step: s.step.id, subject: subjectId, since: Date.now() }).catch(() => undefined); // the camera works without the mark
		return () => void phone.expectPhoto(undefined).catch(() => undefined);
	}, [job, s.step.id, subjectId]);

	// A picture that was stored and not yet looked at: the look comes first.
	useEffect(() => {
		const left = j.files.find((f) => f.step === s.step.id && f.entry === "" && f.state === "here");
		if (left && !file) setFile(left);
	}, [j.files, s.step.id, file]);

	const take = async (picked: File, way: How) => {
		setFailed("");
		setExpected(false);
		setHow(way);
		if (picked.size > MOST_PHOTO) return setFailed(t("photo.too-big", { size: size(picked.size, language) }));
		try {
			// Copied to memory first: a camera's file handed straight to the database has been lost before.
			const content = bytes(await picked.arrayBuffer());
			const mediaType = sniff(content);
			const look = await lookAt(content, mediaType);
			const stored = await storeFile(content, {
				job,
				step: s.step.id,
				subject: subjectId,
				purpose: "photo",
				mediaType,
				small: look?.small ?? bytes([]),
			});
			setFile(stored);
			await phone.filesChanged(job);
		} catch (error) {
			const full = error instanceof DOMException && error.name === "QuotaExceededError";
			setFailed(t("not-saved", { why: full ? t("quota.photo") : why(error, t) }));
		}
	};
	const keepIt = async () => {
		if (!file) return;
		const place = await position.current;
		const ok = await say(
			{
				case: "photoAttached",
				value: create(PhotoAttachedSchema, {
					digest: unhex(file.digest),
					size: BigInt(file.size),
					subject: file.subject || subjectId,
					howTaken: how,
					takenTime: timestampFromMs(file.made),
					position: place,
				}),
			},
			{ options: { file: file.digest } },
		);
		if (!ok) return;
		await addCopy(file);
		await phone.filesChanged(job);
		setFile(undefined);
	};
	/** Beside a HEIC the JPEG that this phone shows: a derived copy that names its original. */
	const addCopy = async (original: StoredFile) => {
		if (original.mediaType !== "image/heic") return;
		try {
			const copy = await jpegCopy(await fileBytes(original), original.mediaType);
			if (!copy) return;
			const stored = await storeFile(copy, {
				job,
				step: s.step.id,
				subject: original.subject,
				purpose: "photo",
				mediaType: "image/jpeg",
				small: original.small,
			});
			await say(
				{
					case: "photoAttached",
					value: create(PhotoAttachedSchema, {
						digest: unhex(stored.digest),
						size: BigInt(stored.size),
						subject: original.subject,
						howTaken: how,
						derivedFrom: unhex(original.digest),
						derivation: "JPEG copy for viewing, made by the phone",
					}),
				},
				{ options: { file: stored.digest } },
			);
		} catch (error) {
			setFailed(t("not-saved", { why: why(error, t) })); // the original is kept; only the copy is missing
		}
	};
	const again = async () => {
		if (file) await discard(file.digest);
		await phone.filesChanged(job); // before the look closes, else the discarded picture is looked at again
		setFile(undefined);
		open();
	};
	const open = () => {
		position.current = whereAmI();
		camera.current?.click();
	};
	const inputs = (
		<>
			<input
				ref={camera}
				id="camera"
				class="hidden-input"
				type="file"
				accept="image/*"
				capture="environment"
				tabIndex={-1}
				aria-hidden="true"
				onChange={(e) => {
					const picked = e.currentTarget.files?.[0];
					e.currentTarget.value = "";
					if (picked) void take(picked, How.PHONE_CAMERA);
				}}
			/>
			<input
				ref={files}
				class="hidden-input"
				type="file"
				accept="image/*,.heic,.heif"
				tabIndex={-1}
				aria-hidden="true"
				onChange={(e) => {
					const picked = e.currentTarget.files?.[0];
					e.currentTarget.value = "";
					if (picked) void take(picked, How.FROM_FILES);
				}}
			/>
		</>
	);

	if (reason) {
		return (
			<ReasonScreen
				{...p}
				title={t("step.deviation.why")}
				label={t("step.deviation")}
				back={() => setReason(false)}
				save={async (text) =>
					void (
						(await say({ case: "deviationAsked", value: { $typeName: "witnessmark.record.v1.DeviationAsked", reason: text } })) &&
						setReason(false)
					)
				}
			/>
		);
	}
	const title = subject ? optionText(j, s.step, "subject", subject.id, subject.title, language) : "";
	if (file) {
		return (
			<>
				<LookScreen j={j} place={placeOf(s.step)} file={file} title={title} failed={failed || say.failed} keep={keepIt} again={again} />
				{inputs}
			</>
		);
	}
	const index = subject ? subjects.indexOf(subject) + 1 : 0;
	const beside = subject?.beside ? subjects.find((x) => x.id === subject.beside) : undefined;
	return (
		<StepFrame
			{...p}
			foot={
				complete || s.deviationAsked ? (
					<>
						<Second label={t("photo.take")} act={open} />
						<Primary label={next.label} small={next.small} act={next.act} />
					</>
				) : (
					<>
						<Second label={t("step.not-possible")} act={() => setReason(true)} />
						<Primary label={t("photo.take")} small={t("photo.take.small", { n: index, all: subjects.length, title })} act={open} />
					</>
				)
			}
		>
			<Message text={failed} />
			{expected && <p class="care">{t("photo.expected")}</p>}
			{complete ? <p>{t("photo.all")}</p> : <h2>{title}</h2>}
			{!complete && subject?.toolInPicture && <p>{t("photo.tool")}</p>}
			{!complete && beside && (
				<p class="why">{t("photo.beside", { title: optionText(j, s.step, "subject", beside.id, beside.title, language) })}</p>
			)}
			<StateCard status={s} />
			<Thumbs p={p} />
			{!complete && (
				<button type="button" class="wide plain" onClick={() => files.current?.click()}>
					<span>{t("photo.files")}</span>
				</button>
			)}
			{inputs}
		</StepFrame>
	);
}

/** The picture on the whole screen, while the climber is still there. */
function LookScreen(p: {
	j: StepProps["j"];
	place: string;
	file: StoredFile;
	title: string;
	failed: string;
	keep: () => Promise<void>;
	again: () => Promise<void>;
}) {
	const { t } = useWords();
	const [url, setUrl] = useState("");
	const [look, setLook] = useState<Look | undefined | null>(null);
	const [broken, setBroken] = useState(false);
	useEffect(() => {
		let made = "";
		let gone = false;
		const show = async () => {
			const content: Bytes = await fileBytes(p.file);
			const seen = await lookAt(content, p.file.mediaType);
			if (gone) return;
			made = URL.createObjectURL(new Blob([content], { type: p.file.mediaType }));
			setUrl(made);
			setLook(seen);
			if (seen && p.file.small.length === 0) await noteFile(p.file.digest, { small: seen.small });
		};
		show().catch(() => {
			if (!gone) setLook(undefined); // it was taken again meanwhile, or cannot be read: the screen says that it shows nothing
		});
		return () => {
			gone = true;
			if (made) URL.revokeObjectURL(made);
		};
	}, [p.file]);
	const soft = look ? look.sharpness < SOFT : false;
	const dark = look ? look.brightness < DARK : false;
	const hint = soft ? (["photo.blurred", "photo.blurred.how"] as const) : dark ? (["photo.dark", "photo.dark.how"] as const) : undefined;
	return (
		<Screen
			where={<JobWhere j={p.j} place={p.place} />}
			foot={
				// Not before the look is done: a button must never change under the thumb.
				look === null ? undefined : hint ? (
					<>
						<Second label={t("photo.keep")} act={p.keep} />
						<Primary label={t("photo.again")} act={p.again} />
					</>
				) : (
					<>
						<Second label={t("photo.again")} act={p.again} />
						<Primary label={t("photo.use")} small={t("photo.use.small")} act={p.keep} />
					</>
				)
			}
		>
			<h1>{t("photo.look", { title: p.title })}</h1>
			<Message text={p.failed} />
			<div class="shot">
				{url && !broken ? (
					<img src={url} alt={p.title} onError={() => setBroken(true)} />
				) : broken || look === undefined ? (
					<p>{t("photo.cannot-show")}</p>
				) : null}
			</div>
			{hint && (
				<div class="find">
					<Stripe sign="dashed" />
					<span>
						<b>{t(hint[0])}</b> {t(hint[1])}
					</span>
				</div>
			)}
		</Screen>
	);
}

function Thumbs({ p }: { p: StepProps }) {
	const { t } = useWords();
	const mine = p.j.files.filter((f) => f.step === p.s.step.id && f.entry !== "" && f.purpose === "photo");
	const elsewhere = p.s.entries.filter(
		(e) => !e.withdrawn && e.entry.kind.case === "photoAttached" && e.entry.kind.value.derivedFrom.length === 0,
	).length;
	if (elsewhere === 0 && mine.length === 0) return null;
	return (
		<>
			<p class="work num">{t("photo.kept", { n: Math.max(elsewhere, mine.length) })}</p>
			<div class="grid">
				{mine.map((f) => (
					<Thumb key={f.digest} file={f} />
				))}
			</div>
		</>
	);
}

function Thumb({ file }: { file: StoredFile }) {
	const { t } = useWords();
	const [url, setUrl] = useState("");
	useEffect(() => {
		if (file.small.length === 0) return;
		const u = URL.createObjectURL(new Blob([bytes(file.small)], { type: "image/jpeg" }));
		setUrl(u);
		return () => URL.revokeObjectURL(u);
	}, [file]);
	const state = t(file.state === "sent" ? "photo.sent" : file.state === "refused" ? "unsent.refused.here" : "photo.here");
	return (
		<figure>
			<div class="shot">{url && <img src={url} alt="" />}</div>
			<figcaption class="work">{state}</figcaption>
		</figure>
	);
}
