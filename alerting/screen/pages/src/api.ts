// The API: its shapes, how it is asked, and what it is asked for.

export * from "./api/shapes.ts";
export { all, get, post, Problem, segment } from "./api/http.ts";
export * from "./api/desk.ts";
