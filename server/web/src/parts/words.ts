import type { Separator } from "../record/number";
import { phone, usePhone } from "../store/phone";
import { type Language, separatorOf, type Translate, text } from "../text";

export interface Words {
	t: Translate;
	language: Language;
	sep: Separator;
	/** What people call a person. */
	person(name: string): string;
	/** What people call an instrument. */
	instrument(name: string): string;
}

/** The texts in the person's language. */
export function useWords(): Words {
	const { settings, people, instruments } = usePhone();
	const language = settings.language;
	return {
		language,
		sep: separatorOf(language),
		t: (key, words) => text(language, key, words),
		person: (name) =>
			people.get(name)?.title || (phone.state.person?.name === name ? phone.state.person.title : "") || name.replace(/^people\//, ""),
		instrument: (name) => instruments.get(name)?.title || name.replace(/^instruments\//, ""),
	};
}
