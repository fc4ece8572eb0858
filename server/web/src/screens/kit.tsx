import { create } from "@bufbuild/protobuf";
import { useEffect, useState } from "preact/hooks";
import {
	type KitChecked_Part,
	KitChecked_PartSchema,
	KitCheckedSchema,
	KitChecked_Part_Setup as Setup,
} from "../gen/witnessmark/record/v1/entry_pb";
import { Quantity as Q, Measure_Unit as U } from "../gen/witnessmark/record/v1/measure_pb";
import { Primary, Row, Second } from "../parts/basic";
import { StateCard } from "../parts/verdict";
import { useWords } from "../parts/words";
import type { Bound } from "../record/judge";
import { measure } from "../record/number";
import { unitsFor } from "../record/units";
import { keep, kept } from "../store/database";
import { phone, usePhone } from "../store/phone";
import type { Key } from "../text";
import { limitPhrase } from "../text/say";
import { ChooseInstrument, InstrumentRow, measured, NumberScreen, useInstrument } from "./measure";
import { StepFrame, type StepProps, useNext } from "./step";

interface Kit {
	analyser: string;
	quantity: Q;
	setups: { setup: Setup; part: string; limit: "source" | "residual" }[];
}

/** Set-ups in the order in which a fault is narrowed down. */
const kits: Record<string, Kit> = {
	intermodulation: {
		analyser: "intermodulation-analyser",
		quantity: Q.INTERMODULATION,
		setups: [
			{ setup: Setup.SOURCE_DIRECT, part: "intermodulation-source", limit: "source" },
			{ setup: Setup.LOAD_DIRECT, part: "low-intermodulation-load", limit: "residual" },
			{ setup: Setup.LOAD_ON_CABLE, part: "test-cable", limit: "residual" },
			{ setup: Setup.FLEXING, part: "test-cable", limit: "residual" },
		],
	},
	"return-loss": {
		analyser: "sweep-analyser",
		quantity: Q.RETURN_LOSS,
		setups: [{ setup: Setup.REFERENCE_LOAD, part: "", limit: "residual" }],
	},
	optical: {
		analyser: "light-source",
		quantity: Q.OPTICAL_POWER,
		setups: [{ setup: Setup.OPTICAL_REFERENCE, part: "power-meter", limit: "residual" }],
	},
	torque: { analyser: "torque-wrench", quantity: Q.TORQUE, setups: [{ setup: Setup.TORQUE_TESTER, part: "", limit: "residual" }] },
};

interface DraftPart {
	setup: Setup;
	value: number;
	unit: U;
	typed: string;
}

/** The test kit proves itself, part by part. What was read is kept at once; the check is one entry. */
export function KitCheck(p: StepProps) {
	const { j, s, say } = p;
	const w = useWords();
	const { t, sep } = w;
	const { instruments } = usePhone();
	const def = s.step.def.kind.case === "kitCheck" ? s.step.def.kind.value : undefined;
	const kit = kits[def?.kit ?? ""] ?? kits.intermodulation!;
	const [analyser, setAnalyser, same] = useInstrument(kit.analyser);
	const [draft, setDraft] = useState<DraftPart[]>([]);
	const [at, setAt] = useState<Setup | undefined>();
	const [choose, setChoose] = useState(false);
	const next = useNext(j, s);
	const draftKey = `draft:${j.job.name} ${s.step.id}`;
	useEffect(() => {
		void kept<DraftPart[]>(draftKey).then((d) => d && setDraft(d));
	}, [draftKey]);
	const change = (d: DraftPart[]) => {
		setDraft(d);
		void keep(draftKey, d);
	};
	const boundOf = (limit: "source" | "residual"): Bound | undefined => {
		const l = limit === "source" ? s.step.sourceLimit : s.step.residualLimit;
		return l.known ? l.bound : undefined;
	};
	const only = (kind: string) => {
		const of = [...instruments.values()].filter((i) => i.kind === kind && !i.retired);
		return of.length === 1 ? of[0]!.name : "";
	};
	const setup = kit.setups.find((x) => x.setup === at);
	if (setup) {
		const bound = boundOf(setup.limit);
		return (
			<NumberScreen
				j={j}
				place={t("job.ready")}
				title={t(`step.kit.${Setup[setup.setup]}` as Key)}
				quantity={kit.quantity}
				bound={bound}
				units={bound ? [bound.unit, ...unitsFor(kit.quantity).filter((u) => u !== bound.unit)] : unitsFor(kit.quantity)}
				back={() => setAt(undefined)}
				save={(m) => {
					change([...draft, { setup: setup.setup, value: m.value, unit: m.unit, typed: m.typed }]);
					setAt(undefined);
				}}
			/>
		);
	}
	if (choose)
		return (
			<ChooseInstrument
				j={j}
				kind={kit.analyser}
				current={analyser}
				pick={(n) => {
					setAnalyser(n);
					setChoose(false);
				}}
				back={() => setChoose(false)}
			/>
		);
	const open = kit.setups.find((x) => !draft.some((d) => d.setup === x.setup));
	const save = async () => {
		const seen = new Set<Setup>();
		const parts: KitChecked_Part[] = draft.map((d) => {
			const cleaned = seen.has(d.setup); // a repeat comes after cleaning
			seen.add(d.setup);
			return create(KitChecked_PartSchema, {
				setup: d.setup,
				read: measured(d.value, d.unit, d.typed),
				cleaned,
				instrument: only(kit.setups.find((x) => x.setup === d.setup)?.part ?? ""),
				carrierPower: kit.quantity === Q.INTERMODULATION ? measured(20, U.WATTS, "20 W") : undefined,
			});
		});
		if (await say({ case: "kitChecked", value: create(KitCheckedSchema, { analyser, parts }) })) {
			if (analyser) await phone.remember(kit.analyser, analyser);
			change([]);
		}
	};
	const entered = s.entries.some((e) => !e.withdrawn && e.entry.kind.case === "kitChecked");
	return (
		<StepFrame
			{...p}
			foot={
				!analyser ? (
					<Primary label={t("step.instrument.choose")} act={() => setChoose(true)} />
				) : open && !(entered && draft.length === 0) ? (
					<>
						{draft.length > 0 ? <Second label={t("step.kit.save")} act={save} /> : null}
						<Primary label={t(`step.kit.${Setup[open.setup]}` as Key)} small={t("step.kit.add")} act={() => setAt(open.setup)} />
					</>
				) : draft.length > 0 ? (
					<Primary label={t("step.kit.save")} small={t("step.kit.save.small", { n: draft.length })} act={save} />
				) : (
					<Primary label={next.label} small={next.small} act={next.act} />
				)
			}
		>
			<StateCard status={s} />
			<InstrumentRow name={analyser} same={same} zone={j.zone} change={() => setChoose(true)} />
			<ul class="list">
				{kit.setups.map((x) => {
					const reads = draft.filter((d) => d.setup === x.setup);
					const last = reads.at(-1);
					const bound = boundOf(x.limit);
					const inside =
						last && bound && last.unit === bound.unit
							? (bound.lower === undefined || last.value >= bound.lower) && (bound.upper === undefined || last.value <= bound.upper)
							: undefined;
					const words = [
						reads.length > 0 ? reads.map((r) => measure(r.value, r.unit, sep)).join(", ") : t("step.kit.none"),
						bound ? limitPhrase(bound, t, sep) : "",
						inside === undefined ? "" : t(inside ? "verdict.pass" : "verdict.fail"),
						reads.length > 1 ? t("step.kit.cleaned") : "",
					];
					return (
						<Row
							key={x.setup}
							sign={!last ? "hollow" : inside === false ? "broken" : inside ? "whole" : "dashed"}
							title={t(`step.kit.${Setup[x.setup]}` as Key)}
							small={words.filter((y) => y).join(" · ")}
							act={() => setAt(x.setup)}
						/>
					);
				})}
			</ul>
		</StepFrame>
	);
}
