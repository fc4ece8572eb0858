import { en, type Key } from "./en";
export const es: Readonly<Record<Key, string>> = { ...en };
