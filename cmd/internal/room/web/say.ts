import { script } from "./words.json";

// say is the text under a key, its gaps ({0}, {1}) filled.
export function say(key: keyof typeof script, ...args: (string | number)[]): string {
  return script[key].replace(/\{(\d)\}/g, (_, n: string) => String(args[Number(n)]));
}
