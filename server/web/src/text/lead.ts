import { useWords } from "../parts/words";
import { fill, type Key, type Language, text } from ".";
import { type LeadKey, leadEn } from "./lead.en";
import { leadEs } from "./lead.es";

// The texts of the lead's, the auditor's and the office's screens. They load with those screens.

export type DeskKey = Key | LeadKey;
export type DeskTranslate = (key: DeskKey, words?: Readonly<Record<string, string | number>>) => string;

export const leadCatalogues: Readonly<Record<Language, Readonly<Record<LeadKey, string>>>> = { en: leadEn, es: leadEs };

export function deskText(language: Language, key: DeskKey, words?: Readonly<Record<string, string | number>>): string {
	const own = leadCatalogues[language] as Readonly<Record<string, string>>;
	return Object.hasOwn(own, key) ? fill(own[key]!, language, words) : text(language, key as Key, words);
}

export interface DeskWords extends Omit<ReturnType<typeof useWords>, "t"> {
	t: DeskTranslate;
	/** A text that may not be in the catalogue, such as a reason that a newer server gives; then the code itself. */
	known(prefix: string, code: string): string;
}

/** The texts in the person's language, these screens' own first. */
export function useDeskWords(): DeskWords {
	const w = useWords();
	return {
		...w,
		t: (key, words) => deskText(w.language, key, words),
		known: (prefix, code) => (Object.hasOwn(leadEn, `${prefix}.${code}`) ? deskText(w.language, `${prefix}.${code}` as LeadKey) : code),
	};
}
