// A small invented world for the client's tests: one procedure with a step of
// each kind, one plan, three people, a few tools. Names and figures are made up.

export const procedure = (connections: number) => ({
	id: "line-day",
	title: "A day on a line",
	revision: "1",
	sections: [
		{
			id: "briefing",
			title: "Briefing",
			repeat: "CLIMB",
			steps: [
				{
					id: "known",
					title: "Rescue plan",
					instruction: "Read the rescue plan together. Each says for himself that he knows it.",
					doer: "EACH",
					acknowledge: { askFitness: true },
				},
			],
		},
		{
			id: "weather",
			title: "Weather",
			repeat: "CLIMB",
			steps: [
				{
					id: "wind",
					title: "Mean wind at work height",
					instruction: "Read the mean wind at work height for two minutes.",
					doer: "LEAD",
					holdsMinutes: 60,
					reading: {
						quantity: "WIND_SPEED",
						unit: "METERS_PER_SECOND",
						limit: { plain: { upper: 10.3, unit: "METERS_PER_SECOND", source: { standing: "COMMON_PRACTICE" } } },
					},
				},
			],
		},
		{
			id: "kit",
			title: "Test kit",
			repeat: "JOB",
			steps: [
				{
					id: "self-check",
					title: "Self-check of the kit",
					instruction: "Source, load, load on the cable, flexing.",
					optional: true,
					kitCheck: {
						kit: "intermodulation",
						sourceLimit: { plain: { lower: -113, upper: -107, unit: "DECIBELS_CARRIER", source: { standing: "COMMON_PRACTICE" } } },
						residualLimit: { plain: { upper: -165, unit: "DECIBELS_CARRIER", source: { standing: "COMMON_PRACTICE" } } },
					},
				},
			],
		},
		{
			id: "couple",
			title: "Couple",
			repeat: "CONNECTION",
			onStructure: true,
			requires: ["briefing", "weather"],
			steps: [
				{
					id: "clean",
					title: "Inspect and clean",
					instruction: "Inspect both faces, then clean them.",
					reason: "Loose metal makes intermodulation.",
					confirm: { allowNotApplicable: true },
				},
				{
					id: "torque",
					title: "Torque the coupling nut",
					instruction: "Wrench square to the nut, one slow pull, one click. A second click adds torque.",
					caution: "Hands clear of the antenna face.",
					torque: {
						limit: {
							table: {
								rows: [
									{
										when: [{ attribute: "interface", anyOf: ["7-16"] }],
										bound: { lower: 24.4, upper: 30, unit: "NEWTON_METERS", source: { standing: "COMMON_PRACTICE" } },
									},
								],
							},
						},
					},
				},
				{
					id: "mark",
					title: "Torque mark",
					instruction: "Photograph the mated connection with its torque mark.",
					photo: { subjects: [{ id: "mated", title: "Mated with torque mark" }] },
				},
			],
		},
		{
			id: "test",
			title: "Test the line",
			repeat: "LINE",
			steps: [
				{
					id: "intermodulation",
					title: "Intermodulation",
					instruction: "Read the peak while tapping each joint.",
					caution: "Tones off before you uncouple.",
					reading: {
						quantity: "INTERMODULATION",
						unit: "DECIBELS_CARRIER",
						instrumentKind: "intermodulation-analyser",
						needsKitCheck: true,
						limit: { plain: { upper: -150, unit: "DECIBELS_CARRIER", source: { standing: "COMPANY" } }, decision: { rule: "RESIDUAL" } },
					},
				},
				{
					id: "trace",
					title: "Trace",
					instruction: "Attach the trace of the sweep.",
					optional: true,
					trace: { quantity: "RETURN_LOSS", limit: { plain: { lower: 18, unit: "DECIBELS", source: { standing: "OWNER" } } } },
				},
			],
		},
		{
			id: "leave",
			title: "Leave the site",
			repeat: "JOB",
			steps: [
				{
					id: "tidy",
					title: "Site left as found",
					instruction: "Look around before you leave.",
					choice: {
						options: [
							{ id: "yes", title: "Yes, as found", good: true },
							{ id: "no", title: "No" },
						],
					},
				},
				{
					id: "remark",
					title: "For the next crew",
					instruction: "What the next crew should know.",
					optional: true,
					text: { minLength: 3 },
				},
			],
		},
	],
	catalogues: [
		{
			language: "es",
			texts: {
				title: "Un día en una línea",
				"section/couple/title": "Acoplar",
				"section/test/title": "Medir la línea",
				"section/leave/title": "Dejar el lugar",
				"section/kit/title": "Equipo de medida",
				"section/briefing/step/known/title": "Plan de rescate",
				"section/weather/step/wind/title": "Viento medio a la altura de trabajo",
				"section/weather/step/wind/instruction": "Lea el viento medio a la altura de trabajo durante dos minutos.",
				"section/couple/step/torque/title": "Apriete la tuerca de acoplamiento",
				"section/couple/step/torque/caution": "Manos lejos de la cara de la antena.",
				"section/couple/step/torque/instruction": "Llave recta a la tuerca, un tirón lento, un clic. El segundo clic añade par.",
				"section/test/step/intermodulation/title": "Intermodulación",
				"section/couple/step/mark/title": "Marca de par",
				"section/couple/step/mark/subject/mated": "Acoplada, con la marca",
			},
		},
	],
	_connections: connections,
});

export const plan = (connections: number) => {
	const letters = "ABCDEFGHIJKLMNOPQRSTUVWXYZ";
	const out: object[] = [];
	const lines = new Map<string, object>();
	for (let i = 0; i < connections; i++) {
		const sector = letters[Math.floor(i / 2) % 3]!;
		const line = `${sector}${Math.floor(i / 6) + 1}`;
		lines.set(line, {
			id: line,
			title: line,
			medium: "COAX",
			band: "B8",
			lowMhz: 880,
			highMhz: 960,
			lengthMeters: 30,
			type: "7/8-foam",
			farEquipment: "load",
		});
		const end = i % 2 === 0 ? "top" : "foot";
		out.push({
			id: `${line}-${end}`,
			line,
			title: `${line} ${end}`,
			interface: "7-16",
			position: end === "top" ? "behind the antenna" : "at the cabinet",
			sector,
			heightMeters: end === "top" ? 45 : 2,
		});
	}
	return { lines: [...lines.values()], connections: out };
};

export const people = [
	{ name: "people/ike", title: "Ike", roles: ["CLIMBER"], language: "en", qualifications: [{ name: "climbing" }], hasCode: true },
	{ name: "people/noa", title: "Noa", roles: ["CLIMBER"], language: "es", qualifications: [{ name: "climbing" }], hasCode: true },
	{
		name: "people/mara",
		title: "Mara",
		roles: ["LEAD"],
		language: "en",
		qualifications: [{ name: "climbing" }, { name: "competent-person" }],
		hasCode: true,
	},
];

export const instruments = [
	{
		name: "instruments/w-113",
		kind: "torque-wrench",
		title: "Wrench W-113",
		serial: "113",
		calibratedUntil: "2099-11-14",
		toolClass: "II A",
		minimum: { value: 5, unit: "NEWTON_METERS" },
		maximum: { value: 50, unit: "NEWTON_METERS" },
		preset: { value: 25, unit: "NEWTON_METERS", typed: "25 N·m" },
	},
	{
		name: "instruments/d-7",
		kind: "torque-wrench",
		title: "Dial wrench D-7",
		serial: "7",
		calibratedUntil: "2099-01-31",
		toolClass: "I B",
		maximum: { value: 60, unit: "NEWTON_METERS" },
	},
	{ name: "instruments/im-2", kind: "intermodulation-analyser", title: "Analyser IM-2", serial: "2", calibratedUntil: "2099-06-30" },
	{ name: "instruments/src-1", kind: "intermodulation-source", title: "Source 1", serial: "S1", calibratedUntil: "2099-06-30" },
	{ name: "instruments/load-1", kind: "low-intermodulation-load", title: "Load 1", serial: "L1", calibratedUntil: "2099-06-30" },
	{ name: "instruments/cable-1", kind: "test-cable", title: "Cable 1", serial: "C1", calibratedUntil: "2099-06-30" },
];
