import { decimal, type Separator } from "../record/number";
import { en, type Key } from "./en";
import { es } from "./es";

export type { Key } from "./en";
export type Language = "en" | "es";

export const catalogues: Readonly<Record<Language, Readonly<Record<Key, string>>>> = { en, es };

/** The languages, each named in itself. */
export const languages: readonly { readonly id: Language; readonly title: string }[] = [
	{ id: "en", title: "English" },
	{ id: "es", title: "Español" },
];

/** A text with its words in braces filled in. */
export function text(language: Language, key: Key, words: Readonly<Record<string, string | number>> = {}): string {
	return fill(catalogues[language][key], language, words);
}

/** Fills a template's words in braces in; numbers with the language's sign. */
export function fill(template: string, language: Language, words: Readonly<Record<string, string | number>> = {}): string {
	return template.replace(/\{([a-z]+)\}/g, (whole, name: string) => {
		const w = words[name];
		return w === undefined ? whole : typeof w === "number" ? decimal(w, 6, separatorOf(language)) : w;
	});
}

export type Translate = (key: Key, words?: Readonly<Record<string, string | number>>) => string;

/** The decimal sign of a language. */
export function separatorOf(language: Language): Separator {
	return language === "es" ? "," : ".";
}

/** The language for a BCP 47 tag. */
export function languageOf(tag: string | undefined): Language {
	return tag?.toLowerCase().startsWith("es") ? "es" : "en";
}

/** Hour and minute in a zone. */
export function hour(time: number, language: Language, zone?: string): string {
	return format(time, language, { hour: "2-digit", minute: "2-digit", hour12: false }, zone);
}

/** Day, month, hour and minute in a zone. */
export function moment(time: number, language: Language, zone?: string): string {
	return format(time, language, { day: "numeric", month: "short", hour: "2-digit", minute: "2-digit", hour12: false }, zone);
}

/** A civil date YYYY-MM-DD in words. */
export function date(day: string, language: Language): string {
	const t = Date.parse(`${day}T12:00:00Z`);
	return Number.isNaN(t) ? day : format(t, language, { day: "numeric", month: "short", year: "numeric" }, "UTC");
}

function format(time: number, language: Language, options: Intl.DateTimeFormatOptions, zone?: string): string {
	const locale = language === "es" ? "es-ES" : "en-GB";
	try {
		return new Intl.DateTimeFormat(locale, { ...options, timeZone: zone || undefined }).format(time);
	} catch {
		return new Intl.DateTimeFormat(locale, options).format(time); // a zone that this browser does not know
	}
}

/** The civil date in a zone, YYYY-MM-DD. */
export function civilDay(time: number, zone?: string): string {
	const parts: Intl.DateTimeFormatOptions = { year: "numeric", month: "2-digit", day: "2-digit" };
	try {
		return new Intl.DateTimeFormat("en-CA", { ...parts, timeZone: zone || undefined }).format(time);
	} catch {
		return new Intl.DateTimeFormat("en-CA", parts).format(time);
	}
}

/** A number of bytes for a person. */
export function size(bytes: number, language: Language): string {
	const sep = separatorOf(language);
	return bytes < 1e6
		? `${decimal(Math.max(1, bytes / 1e3), 0, sep)}\u00a0kB`
		: bytes < 1e9
			? `${decimal(bytes / 1e6, 1, sep)}\u00a0MB`
			: `${decimal(bytes / 1e9, 1, sep)}\u00a0GB`;
}

/** A length of time for a person, from milliseconds; with its sign. */
export function span(ms: number, language: Language): string {
	const s = Math.abs(ms) / 1000;
	const sign = ms < 0 ? "−" : "";
	const sep = separatorOf(language);
	return s < 90
		? `${sign}${decimal(s, 1, sep)}\u00a0s`
		: s < 5400
			? `${sign}${decimal(s / 60, 0, sep)}\u00a0min`
			: `${sign}${decimal(s / 3600, 1, sep)}\u00a0h`;
}
