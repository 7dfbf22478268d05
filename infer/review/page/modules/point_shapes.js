/** Shapes about (0, 0): a kind is told by its shape first, by its colour second. */
export const SHAPES = {
  model: "M-5 0a5 5 0 1 0 10 0a5 5 0 1 0-10 0",
  doubtful: "M0-8 8 0 0 8-8 0Z",
  moved: "M-5.500-5.500h11v11h-11Z",
  hidden: "M-5-5 5 5M5-5-5 5",
};
