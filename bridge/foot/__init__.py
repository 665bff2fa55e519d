"""What a foot, a key or another program asks for: raw input in, presses, holds and double presses out."""
